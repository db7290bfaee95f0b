-- one row per price step of an offer that can be bought on a day: its price period is open, it is in stock, and it was
-- confirmed at most stale_after_days before; all as of that day
--
-- What stands on the day is found first. Its latest run of confirmations mostly began by that day, and tells the latest one
-- up to it; earlier runs are looked up for the others only.
create or replace macro market_on(day, stale_after_days) as table
with standing as (
    select *
    from price_history
    where valid_from_on <= day and (valid_to_on is null or valid_to_on > day) and quantity_available > 0
),

vendor_full_date as (
    select vendor_code, max(observed_on) as full_on
    from vendor_export
    where export_standing = 'winner' and observed_on <= day
    group by vendor_code
),

interrupted as (
    select distinct offer_id
    from standing
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
),

confirmed as (
    select
        standing.* exclude (last_confirmed_on),
        case
            when standing.last_confirmed_on <= day then standing.last_confirmed_on
            when standing.confirmed_from_on <= day
                then greatest(standing.confirmed_from_on, vendor_full_date.full_on)
            else last_run.confirmed_on
        end as last_confirmed_on
    from standing
    left join vendor_full_date using (vendor_code)
    left join last_run using (offer_id)
)

select
    confirmed.offer_id,
    confirmed.vendor_code,
    confirmed.part_code,
    confirmed.colour_code,
    confirmed.condition,
    confirmed.listing_code,
    confirmed.step_from_quantity,
    confirmed.currency_code,
    confirmed.unit_price,
    confirmed.quantity_available,
    confirmed.sold_in_multiples_of,
    confirmed.assortment_code,
    confirmed.maximum_per_order,
    confirmed.form_certainty,
    confirmed.valid_from_on,
    -- open on the day, whatever came later
    cast(null as date) as valid_to_on,
    confirmed.last_confirmed_on,
    exists (
        select 1
        from suspect_price
        where
            suspect_price.offer_id = confirmed.offer_id
            and suspect_price.step_from_quantity = confirmed.step_from_quantity
            and (suspect_price.cleared_from_on is null or suspect_price.cleared_from_on > day)
    ) as is_suspect
from confirmed
where date_diff('day', confirmed.last_confirmed_on, day) <= stale_after_days
order by
    confirmed.vendor_code,
    confirmed.part_code,
    confirmed.colour_code,
    confirmed.condition,
    confirmed.listing_code,
    confirmed.step_from_quantity;
