-- one row per vendor of the batch that needs the whole fold
--
-- Its export would close more than half of its open offers and is not accepted; or it refers to rows that no open price
-- period has; or it states in full what an open price period already states.
create or replace temp table append_waiting as
with open_count as (
    select
        vendor_code,
        count(*) as step_count,
        -- offers have one step from one piece on, or few have none; counting them exactly takes as long as all the rest
        count(*) filter (step_from_quantity = 1) as least_offer_count
    from price_period
    where valid_to_on is null and vendor_code in (select vendor_code from append_batch)
    group by vendor_code
),

closing as (
    select vendor_code, count(*) as offer_count
    from append_change
    where closes
    group by vendor_code
),

closing_many as (
    select vendor_code, closing.offer_count
    from closing
    join open_count using (vendor_code)
    where 2 * closing.offer_count > open_count.least_offer_count
),

closing_most as (
    select closing_many.vendor_code
    from closing_many
    join price_period using (vendor_code)
    where price_period.valid_to_on is null
    group by closing_many.vendor_code, closing_many.offer_count
    having 2 * closing_many.offer_count > count(distinct price_period.offer_id)
),

unlisted_count as (
    select vendor_code, count(*) as step_count
    from append_step
    where not is_repeated
    group by vendor_code
),

open_step as (
    from price_period
    semi join append_step using (stored_number)
    where valid_to_on is null
),

missed as (
    select distinct append_new.vendor_code
    from append_new
    join open_step
        using (
            vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity, unit_price, currency_code,
            quantity_available, sold_in_multiples_of, form_certainty, assortment_code
        )
    where append_new.maximum_per_order is not distinct from open_step.maximum_per_order
)

select append_batch.vendor_code
from append_batch
left join open_count using (vendor_code)
left join unlisted_count using (vendor_code)
where
    append_batch.repeated_count <> coalesce(open_count.step_count, 0) - coalesce(unlisted_count.step_count, 0)
    or append_batch.vendor_code in (select vendor_code from missed)
    or (
        append_batch.vendor_code in (select vendor_code from closing_most)
        and append_batch.file_hash not in (select file_hash from accepted_export)
    );
