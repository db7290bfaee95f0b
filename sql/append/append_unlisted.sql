-- one row per open price step of the batch's vendors that is changed or not listed, by number alone: reading the codes
-- of all open steps would double the time
create or replace temp table append_unlisted as
select stored_number
from price_period
anti join append_reference using (stored_number)
where valid_to_on is null and vendor_code in (select vendor_code from append_batch);
