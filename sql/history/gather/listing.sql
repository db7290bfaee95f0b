-- one row per offer of a touched vendor, with a number, because a number joins and sorts faster than five codes
create or replace temp table listing as
with listed as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code
    from export_row
    where not is_left_out
)

select
    row_number() over () as listing_number,
    vendor_code,
    part_code,
    colour_code,
    condition,
    listing_code
from listed;
