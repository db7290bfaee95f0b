-- one row per price step of an offer that the batch's exports list as new or changed
--
-- An offer that changed begins again with all of its steps, the unchanged ones among them. The rows need no order.
insert into price_period by name
with repeated_step as (
    from append_step
    where is_repeated
),

listed as (
    select append_new.*
    from append_new
    semi join append_batch using (vendor_code)
    union all by name
    select
        append_batch.file_hash,
        append_reference.record_number,
        append_reference.source_line_number,
        append_batch.observed_on,
        price_period.* exclude (
            offer_id, valid_from_on, valid_to_on, confirmed_from_on, confirmed_to_on, file_hash, record_number,
            source_line_number
        )
    from price_period
    semi join repeated_step using (vendor_code, offer_id, stored_number)
    join append_reference using (stored_number)
    join append_batch using (vendor_code)
)

select
    offer_id(vendor_code, part_code, colour_code, condition, listing_code, observed_on) as offer_id,
    * exclude (observed_on, coverage, revision_number),
    observed_on as valid_from_on,
    cast(null as date) as valid_to_on,
    observed_on as confirmed_from_on,
    cast(null as date) as confirmed_to_on
from listed;
