-- one row per offer of a batch of appended vendors that is not listed just as its open spell has it: new, changed, or not
-- listed at all; closes: a full export ends its spell by leaving it out
create or replace temp table append_change as
with listed as (
    select fresh_row.*
    from fresh_row
    semi join append_batch using (vendor_code, file_hash, observed_on)
),

open_step as (
    select *
    from price_history
    where valid_to_on is null and vendor_code in (select vendor_code from append_batch)
),

changed as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code
    from listed
    full join open_step
        using (vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity)
    where
        listed.unit_price is distinct from open_step.unit_price
        or listed.currency_code is distinct from open_step.currency_code
        or listed.quantity_available is distinct from open_step.quantity_available
        or listed.sold_in_multiples_of is distinct from open_step.sold_in_multiples_of
        or listed.maximum_per_order is distinct from open_step.maximum_per_order
        or listed.form_certainty is distinct from open_step.form_certainty
        or listed.assortment_code is distinct from open_step.assortment_code
),

listed_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code, true as is_listed
    from listed
    semi join changed using (vendor_code, part_code, colour_code, condition, listing_code)
),

open_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code, offer_id
    from open_step
    semi join changed using (vendor_code, part_code, colour_code, condition, listing_code)
),

held_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code, true as is_held
    from held_key
    semi join append_batch using (vendor_code, file_hash, observed_on)
)

select
    vendor_code,
    part_code,
    colour_code,
    condition,
    listing_code,
    open_offer.offer_id,
    coalesce(listed_offer.is_listed, false) as is_listed,
    listed_offer.is_listed is null
    and held_offer.is_held is null
    and append_batch.is_full
    and append_batch.may_close as closes
from changed
join append_batch using (vendor_code)
left join listed_offer using (vendor_code, part_code, colour_code, condition, listing_code)
left join open_offer using (vendor_code, part_code, colour_code, condition, listing_code)
left join held_offer using (vendor_code, part_code, colour_code, condition, listing_code);
