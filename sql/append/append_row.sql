-- rows of the batch's exports, kept for later folds: in full where they say something new, else as a reference to the row
-- that has the content of the open spell
insert into observed_row
select fresh_row.*
from fresh_row
semi join append_batch using (vendor_code, file_hash, observed_on)
semi join append_change using (vendor_code, part_code, colour_code, condition, listing_code)
order by fresh_row.file_hash, fresh_row.record_number;

insert into repeated_row
select
    append_match.file_hash,
    append_match.record_number,
    append_match.source_line_number,
    append_match.vendor_code,
    append_match.observed_on,
    append_match.coverage,
    append_match.revision_number,
    append_match.stored_hash,
    append_match.stored_record_number
from append_match
semi join append_batch using (vendor_code)
anti join append_change using (offer_id)
where append_match.is_same
order by append_match.file_hash, append_match.record_number;
