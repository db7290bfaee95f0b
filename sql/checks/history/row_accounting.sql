-- every row read was accepted, quarantined, superseded, withdrawn, a duplicate, or dropped by a declared correction
select
    file_hash, file_name, file_status,
    read_row_count, accepted_row_count, quarantined_row_count, superseded_row_count, duplicate_row_count,
    withdrawn_row_count, dropped_row_count
from intake_file
where
    read_row_count
    <> accepted_row_count
    + quarantined_row_count
    + superseded_row_count
    + duplicate_row_count
    + withdrawn_row_count
    + dropped_row_count
    or least(
        accepted_row_count, quarantined_row_count, superseded_row_count, duplicate_row_count, withdrawn_row_count,
        dropped_row_count
    ) < 0;
