-- one row per element and day of candidates, with a number
create or replace temp table element_day as
with needed as (
    select distinct element_number, valid_from_on as priced_on
    from candidate
    where element_number is not null
)

select row_number() over () as market_number, element_number, priced_on
from needed;
