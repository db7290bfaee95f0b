-- one row per element and condition that more than one vendor ever offered, with a number: others have no market
create or replace temp table shared_element as
with shared as (
    select part_code, colour_code, condition
    from price_period
    group by part_code, colour_code, condition
    having min(vendor_code) <> max(vendor_code)
)

select row_number() over () as element_number, part_code, colour_code, condition
from shared;
