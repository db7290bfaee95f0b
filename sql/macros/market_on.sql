-- one row per price step of an offer that can be bought on a day: its spell is open, it is in stock, and it was
-- confirmed at most stale_after_days before; all as of that day
create or replace macro market_on(day, stale_after_days) as table
select
    price_history.offer_id,
    price_history.vendor_code,
    price_history.part_code,
    price_history.colour_code,
    price_history.condition,
    price_history.listing_code,
    price_history.step_from_quantity,
    price_history.currency_code,
    price_history.unit_price,
    price_history.quantity_available,
    price_history.sold_in_multiples_of,
    price_history.assortment_code,
    price_history.maximum_per_order,
    price_history.form_certainty,
    price_history.valid_from_on,
    -- open on the day, whatever came later
    cast(null as date) as valid_to_on,
    confirmed.last_confirmed_on,
    exists (
        select 1
        from suspect_price
        where
            suspect_price.offer_id = price_history.offer_id
            and suspect_price.step_from_quantity = price_history.step_from_quantity
            and (suspect_price.cleared_from_on is null or suspect_price.cleared_from_on > day)
    ) as is_suspect
from price_history
join confirmed_on(day) as confirmed using (offer_id)
where
    price_history.valid_from_on <= day
    and (price_history.valid_to_on is null or price_history.valid_to_on > day)
    and price_history.quantity_available > 0
    and date_diff('day', confirmed.last_confirmed_on, day) <= stale_after_days
order by
    price_history.vendor_code,
    price_history.part_code,
    price_history.colour_code,
    price_history.condition,
    price_history.listing_code,
    price_history.step_from_quantity;
