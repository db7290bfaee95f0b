-- one row per vendor, with a number, because numbers join and sort faster than codes
create or replace temp table vendor as
with known as (
    select distinct vendor_code
    from price_period
)

select row_number() over () as vendor_number, vendor_code
from known;
