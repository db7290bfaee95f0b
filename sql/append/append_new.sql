-- the other rows of the batch's exports; each says something new about its offer
create or replace temp table append_new as
select observed_row.*
from observed_row
semi join append_batch using (vendor_code, file_hash, observed_on);
