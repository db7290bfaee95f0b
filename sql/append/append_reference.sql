-- one row per row of a batch's exports that repeats an open price step of its vendor
create or replace temp table append_reference as
select
    repeated_record.stored_number,
    repeated_record.record_number,
    repeated_record.record_number + repeated_run.line_distance as source_line_number
from repeated_record
join repeated_run using (run_number)
semi join append_batch using (vendor_code, file_hash, observed_on);
