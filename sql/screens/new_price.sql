-- one row per new price of an offer's step: one that differs from the step's price before it in the same currency, or
-- the first one
--
-- It has the median of the last five prices before it (empty without any) and the date of the next new price.
with step_period as (
    select
        vendor_code,
        part_code,
        colour_code,
        condition,
        listing_code,
        step_from_quantity,
        currency_code,
        valid_from_on,
        unit_price,
        sold_in_multiples_of,
        (
            unit_price is distinct from lag(unit_price) over (
                partition by
                    vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity, currency_code
                order by valid_from_on
            )
        ) as is_new
    from price_history
)

select
    * exclude (is_new),
    median(cast(unit_price as double)) over (
        step_prices rows between 5 preceding and 1 preceding
    ) as own_price,
    lead(valid_from_on) over step_prices as next_price_on
from step_period
where is_new
window step_prices as (
    partition by vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity, currency_code
    order by valid_from_on
);
