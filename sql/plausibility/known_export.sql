-- one row per export that was checked and counts
create or replace temp table known_export as
select checked_export.*
from checked_export
anti join waiting_export
    on checked_export.file_hash = waiting_export.file_hash
    and checked_export.vendor_code = waiting_export.vendor_code
    and checked_export.observed_on = waiting_export.observed_on
anti join withdrawn_file on checked_export.file_hash = withdrawn_file.file_hash;
