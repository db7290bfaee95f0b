-- one row per vendor of the batch that needs the whole fold
--
-- Its export refers to rows that no open price period has, or states in full what an open price period already states.
create or replace temp table append_refused as
with open_count as (
    select vendor_code, count(*) as step_count
    from price_period
    where valid_to_on is null and vendor_code in (select vendor_code from append_batch)
    group by vendor_code
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
    or append_batch.vendor_code in (select vendor_code from missed);
