-- one row per element and day of candidates, and vendor that sold the element then: the logarithm of the vendor's
-- lowest price for few pieces, in the common currency
--
-- Most offers have one price, from one piece on; only of the others the lowest step of each currency is looked for.
create or replace temp table vendor_price as
with stepped as (
    select offer_id
    from price_period
    where step_from_quantity > 1
),

few_pieces as (
    select part_code, colour_code, condition, vendor_code, currency_code, unit_price, valid_from_on, valid_to_on
    from price_period
    where step_from_quantity = 1
    union all
    select
        any_value(part_code) as part_code,
        any_value(colour_code) as colour_code,
        any_value(condition) as condition,
        any_value(vendor_code) as vendor_code,
        currency_code,
        arg_min(unit_price, step_from_quantity) as unit_price,
        any_value(valid_from_on) as valid_from_on,
        any_value(valid_to_on) as valid_to_on
    from price_period
    semi join stepped using (offer_id)
    group by offer_id, currency_code
)

select
    element_day.market_number,
    vendor.vendor_number,
    min(ln(cast(few_pieces.unit_price as double) * common_rate.factor)) as log_price
from element_day
join shared_element using (element_number)
join few_pieces using (part_code, colour_code, condition)
join vendor using (vendor_code)
join common_rate
    on element_day.priced_on = common_rate.day
    and few_pieces.currency_code = common_rate.currency_code
where
    few_pieces.valid_from_on <= element_day.priced_on
    and (few_pieces.valid_to_on is null or few_pieces.valid_to_on > element_day.priced_on)
group by element_day.market_number, vendor.vendor_number;
