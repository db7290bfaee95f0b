-- one row per row of a touched vendor that is not withdrawn, with the export it belongs to
create or replace temp table export_row as
with standing_row as (
    select
        stored_observation.*,
        coalesce(corrected_root.root_hash, stored_observation.file_hash) as export_hash,
        corrected_root.root_hash is null as is_original
    from stored_observation
    semi join touched_vendor using (vendor_code)
    anti join withdrawn_file using (file_hash)
    left join corrected_root using (file_hash, record_number)
)

select
    standing_row.*,
    superseded_row.file_hash is not null as is_left_out
from standing_row
left join superseded_row using (file_hash, record_number)
where standing_row.export_hash not in (select file_hash from withdrawn_file);
