-- one row per price period of one piece of the steps that have a price period which began on a day or later
--
-- Steps are distinguished by two hashes of their keys, which sort faster than seven codes; that two steps share both is
-- left to chance, 1 in 10^20 at a billion.
with step_period as (
    select
        rowid as price_number,
        hash(
            vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity, currency_code
        ) as step_hash,
        hash(
            1, vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity, currency_code
        ) as other_hash,
        valid_from_on,
        cast(unit_price as double) as unit_price
    from price_period
),

of_piece as (
    select *
    from step_period
    where step_hash % cast(getvariable('piece_count') as ubigint) = cast(getvariable('piece') as ubigint)
),

changed_step as (
    select step_hash
    from of_piece
    where valid_from_on >= getvariable('since')
)

select *
from of_piece
semi join changed_step using (step_hash);
