-- append_match: one row per price step that a batch's exports list or that is open with one of its vendors; is_same: both,
-- and alike. What follows needs the codes of the others only.
create or replace temp table append_match as
with listed as (
    select fresh_row.*
    from fresh_row
    semi join append_batch using (vendor_code, file_hash, observed_on)
),

open_step as (
    select *
    from spell
    where valid_to_on is null and vendor_code in (select vendor_code from append_batch)
)

select
    vendor_code,
    listed.record_number is not null
    and open_step.stored_number is not null
    and listed.unit_price = open_step.unit_price
    and listed.currency_code = open_step.currency_code
    and listed.quantity_available = open_step.quantity_available
    and listed.sold_in_multiples_of = open_step.sold_in_multiples_of
    and listed.maximum_per_order is not distinct from open_step.maximum_per_order
    and listed.form_certainty = open_step.form_certainty
    and listed.assortment_code = open_step.assortment_code as is_same,
    if(is_same, null, part_code) as part_code,
    if(is_same, null, colour_code) as colour_code,
    if(is_same, null, condition) as condition,
    if(is_same, null, listing_code) as listing_code,
    open_step.stored_number,
    listed.record_number,
    listed.source_line_number - listed.record_number as line_distance,
    listed.coverage,
    listed.revision_number
from listed
full join open_step using (vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity);

-- append_change: one row per offer of a batch of appended vendors that is not listed just as its open spell has it: new,
-- changed, or not listed at all; closes: a full export ends its spell by leaving it out
create or replace temp table append_change as
with changed as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code
    from append_match
    where not is_same
),

listed_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code, true as is_listed
    from fresh_row
    semi join append_batch using (vendor_code, file_hash, observed_on)
    semi join changed using (vendor_code, part_code, colour_code, condition, listing_code)
),

open_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code, offer_id
    from spell
    semi join changed using (vendor_code, part_code, colour_code, condition, listing_code)
    where valid_to_on is null
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
