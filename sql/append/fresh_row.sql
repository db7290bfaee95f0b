-- one row per row of the files to fold; they are named, so that a scan skips the rows of all other files
create or replace temp view fresh_row as
select *
from price_observation
where file_hash in ({hashes});
