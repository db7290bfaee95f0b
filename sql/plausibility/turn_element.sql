-- one row per export of this turn and element in it: its lowest price, in the currency of that price
create or replace temp table turn_element as
with turn_part as (
    select new_part.*
    from new_part
    semi join turn_export using (file_hash, vendor_code, observed_on)
),

turn_row as (
    select *
    from stored_observation
    where file_hash in (select brought_by from turn_part)
)

select
    turn_part.file_hash,
    turn_part.vendor_code,
    turn_part.observed_on,
    turn_row.part_code,
    turn_row.colour_code,
    turn_row.condition,
    min(turn_row.unit_price)::double as price,
    arg_min(turn_row.currency_code, (turn_row.unit_price, turn_row.currency_code)) as currency_code,
    max(turn_row.quantity_available) as quantity_available
from turn_row
join turn_part
    on turn_row.file_hash = turn_part.brought_by
    and turn_row.vendor_code = turn_part.vendor_code
    and turn_row.observed_on = turn_part.observed_on
group by all;
