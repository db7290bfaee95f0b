-- rows of the batch's exports, kept for later folds: in full where they say something new about their offer, else as a
-- reference to the row that has the content of the open spell
insert into observed_row
select fresh_row.*
from fresh_row
semi join append_batch using (vendor_code, file_hash, observed_on)
semi join append_change using (vendor_code, part_code, colour_code, condition, listing_code)
order by fresh_row.stored_number;

-- in the order of what they refer to, in which both numbers run nearly evenly and take next to no space
insert into repeated_row
with changed_step as (
    select spell.stored_number
    from spell
    semi join append_change using (vendor_code, offer_id)
    where spell.valid_to_on is null
)

select
    append_batch.file_hash,
    append_match.record_number,
    append_match.line_distance,
    append_match.vendor_code,
    append_batch.observed_on,
    append_match.coverage,
    append_match.revision_number,
    append_match.stored_number
from append_match
join append_batch using (vendor_code)
anti join changed_step using (stored_number)
where append_match.is_same
order by append_match.vendor_code, append_match.stored_number;
