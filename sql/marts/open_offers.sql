-- one row per price step of an offer in stock that no later export has closed or changed, fresh or stale; the macro
-- market_on gives what can be bought on a day
create view open_offers as
select
    vendor_code,
    part_code,
    colour_code,
    condition,
    listing_code,
    step_from_quantity,
    unit_price,
    currency_code,
    quantity_available,
    sold_in_multiples_of,
    maximum_per_order,
    form_certainty,
    valid_from_on,
    last_confirmed_on
from price_history
where valid_to_on is null and quantity_available > 0
order by vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity;
