-- one row per export compared with and element in it, as in turn_element.sql; its file's own rows alone
create or replace temp table compared_element as
with compared as (
    select distinct compared_file_hash as file_hash, vendor_code, compared_on as observed_on
    from compared_export
),

compared_row as (
    select *
    from stored_observation
    where file_hash in (select file_hash from compared)
)

select
    file_hash,
    vendor_code,
    observed_on,
    part_code,
    colour_code,
    condition,
    min(unit_price)::double as price,
    arg_min(currency_code, (unit_price, currency_code)) as currency_code
from compared_row
semi join compared using (file_hash, vendor_code, observed_on)
group by all;
