-- one row per price step of every offer seen on or before a day: its latest spell, open or closed, fresh or stale, with
-- what was known of it that day
create or replace macro last_seen_prices(day) as table
with latest as (
    select
        price_history.*,
        max(price_history.valid_from_on) over (
            partition by vendor_code, part_code, colour_code, condition, listing_code
        ) as latest_from_on
    from price_history
    where price_history.valid_from_on <= day
)

select
    latest.offer_id,
    latest.vendor_code,
    latest.part_code,
    latest.colour_code,
    latest.condition,
    latest.listing_code,
    latest.step_from_quantity,
    latest.currency_code,
    latest.unit_price,
    latest.quantity_available,
    latest.sold_in_multiples_of,
    latest.assortment_code,
    latest.maximum_per_order,
    latest.form_certainty,
    latest.valid_from_on,
    case when latest.valid_to_on <= day then latest.valid_to_on end as valid_to_on,
    confirmed.last_confirmed_on,
    exists (
        select 1
        from suspect_price
        where
            suspect_price.offer_id = latest.offer_id
            and suspect_price.step_from_quantity = latest.step_from_quantity
            and (suspect_price.cleared_from_on is null or suspect_price.cleared_from_on > day)
    ) as is_suspect
from latest
join confirmed_on(day) as confirmed using (offer_id)
where latest.valid_from_on = latest.latest_from_on
order by
    latest.vendor_code,
    latest.part_code,
    latest.colour_code,
    latest.condition,
    latest.listing_code,
    latest.step_from_quantity;
