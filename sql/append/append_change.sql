-- append_reference: one row per row of a batch's exports that repeats an open price step of its vendor
create or replace temp table append_reference as
select
    repeated_record.stored_number,
    repeated_record.record_number,
    repeated_record.record_number + repeated_run.line_distance as source_line_number
from repeated_record
join repeated_run using (run_number)
semi join append_batch using (vendor_code, file_hash, observed_on);

-- append_new: the other rows of the batch's exports; each says something new about its offer
create or replace temp table append_new as
select observed_row.*
from observed_row
semi join append_batch using (vendor_code, file_hash, observed_on);

-- append_unlisted: one row per open price step of the batch's vendors that is changed or not listed; by number alone,
-- because codes of all open steps would take as long again
create or replace temp table append_unlisted as
select stored_number
from spell
anti join append_reference using (stored_number)
where valid_to_on is null and vendor_code in (select vendor_code from append_batch);

-- append_step: one row per open price step of an offer that is not listed just as it is open: some step of it is
-- changed, new, or not listed; is_repeated: this one is listed as it was
create or replace temp table append_step as
with open_batch as (
    select vendor_code
    from append_batch
    where has_open
),

changed as (
    select vendor_code, part_code, colour_code, condition, listing_code
    from spell
    semi join append_unlisted using (stored_number)
    where valid_to_on is null and vendor_code in (select vendor_code from append_batch)
    union
    select vendor_code, part_code, colour_code, condition, listing_code
    from append_new
    semi join open_batch using (vendor_code)
),

step as (
    select vendor_code, part_code, colour_code, condition, listing_code, offer_id, stored_number
    from spell
    semi join changed using (vendor_code, part_code, colour_code, condition, listing_code)
    where valid_to_on is null
)

select
    step.*,
    append_unlisted.stored_number is null as is_repeated
from step
left join append_unlisted using (stored_number);

-- append_change: one row per offer that is open and not listed just as it is; closes: a full export ends its spell by
-- leaving it out
create or replace temp table append_change as
with open_offer as (
    select vendor_code, part_code, colour_code, condition, listing_code, offer_id, bool_or(is_repeated) as is_repeated
    from append_step
    group by all
),

new_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code
    from append_new
    semi join open_offer using (vendor_code, part_code, colour_code, condition, listing_code)
),

held_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code
    from held_key
    semi join append_batch using (vendor_code, file_hash, observed_on)
)

select
    vendor_code,
    open_offer.offer_id,
    open_offer.is_repeated or new_offer.vendor_code is not null as is_listed,
    not is_listed
    and held_offer.vendor_code is null
    and append_batch.is_full
    and append_batch.may_close as closes
from open_offer
join append_batch using (vendor_code)
left join new_offer using (vendor_code, part_code, colour_code, condition, listing_code)
left join held_offer using (vendor_code, part_code, colour_code, condition, listing_code);
