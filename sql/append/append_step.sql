-- one row per open price step of an offer whose steps are not all listed as they stand: some step is changed, new or
-- not listed; is_repeated: this step is listed unchanged
create or replace temp table append_step as
with batch as (
    from append_batch
    where has_open
),

changed as (
    select vendor_code, part_code, colour_code, condition, listing_code
    from price_period
    semi join append_unlisted using (stored_number)
    where valid_to_on is null and vendor_code in (select vendor_code from append_batch)
    union
    select vendor_code, part_code, colour_code, condition, listing_code
    from append_new
    semi join batch using (vendor_code)
),

step as (
    select vendor_code, part_code, colour_code, condition, listing_code, offer_id, stored_number
    from price_period
    semi join changed using (vendor_code, part_code, colour_code, condition, listing_code)
    where valid_to_on is null
)

select
    step.*,
    append_unlisted.stored_number is null as is_repeated
from step
left join append_unlisted using (stored_number);
