-- one row per price step of every offer seen on or before a day: its latest price period, open or closed, fresh or stale, with
-- what was known of it that day; confirmations are found as in market_on
create or replace macro last_seen_prices(day) as table
with latest_start as (
    select
        vendor_code,
        part_code,
        colour_code,
        condition,
        listing_code,
        max(valid_from_on) as valid_from_on
    from price_history
    where valid_from_on <= day
    group by all
),

latest as (
    select price_history.*
    from price_history
    semi join latest_start using (vendor_code, part_code, colour_code, condition, listing_code, valid_from_on)
),

vendor_full_date as (
    select vendor_code, max(observed_on) as full_on
    from vendor_export
    where export_standing = 'winner' and observed_on <= day
    group by vendor_code
),

interrupted as (
    select distinct offer_id
    from latest
    where confirmed_from_on > day
),

last_run as (
    select
        run.offer_id,
        max(
            case
                when run.confirmed_to_on <= day then run.confirmed_to_on
                else greatest(run.confirmed_from_on, vendor_full_date.full_on)
            end
        ) as confirmed_on
    from earlier_run() as run
    join interrupted using (offer_id)
    left join vendor_full_date using (vendor_code)
    where run.confirmed_from_on <= day
    group by run.offer_id
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
    case
        when latest.last_confirmed_on <= day then latest.last_confirmed_on
        when latest.confirmed_from_on <= day then greatest(latest.confirmed_from_on, vendor_full_date.full_on)
        else last_run.confirmed_on
    end as last_confirmed_on,
    exists (
        select 1
        from suspect_price
        where
            suspect_price.offer_id = latest.offer_id
            and suspect_price.step_from_quantity = latest.step_from_quantity
            and (suspect_price.cleared_from_on is null or suspect_price.cleared_from_on > day)
    ) as is_suspect
from latest
left join vendor_full_date using (vendor_code)
left join last_run using (offer_id)
order by
    latest.vendor_code,
    latest.part_code,
    latest.colour_code,
    latest.condition,
    latest.listing_code,
    latest.step_from_quantity;
