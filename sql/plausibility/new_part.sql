-- one row per file not checked yet, vendor and date in it: the file of the export that its rows belong to
--
-- Corrected rows count with the export they came from.
create or replace temp table new_part as
with new_file as (
    select file_hash, received_at
    from received_file
    anti join checked_file using (file_hash)
    anti join withdrawn_file using (file_hash)
    where table_name = 'price_export' and not is_quarantined_whole
),

new_row as (
    select file_hash, record_number, vendor_code, observed_on, coverage, revision_number
    from observed_row
    semi join new_file using (file_hash)
    union all
    select file_hash, record_number, vendor_code, observed_on, coverage, revision_number
    from repeated_row
    semi join new_file using (file_hash)
)

select
    new_row.file_hash as brought_by,
    new_row.vendor_code,
    new_row.observed_on,
    new_file.received_at,
    min(coalesce(corrected_root.root_hash, new_row.file_hash)) as file_hash,
    bool_and(new_row.coverage = 'full') as is_full,
    max(new_row.revision_number) as revision_number
from new_row
join new_file using (file_hash)
left join corrected_root using (file_hash, record_number)
group by all;
