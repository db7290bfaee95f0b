-- every row counted as quarantined in a loaded file is listed with what to do about it; so is every file quarantined
-- whole
with listed as (
    select
        file_hash,
        count(distinct record_number) filter (record_number > 0) as listed_row_count,
        count(*) filter (record_number = 0) as whole_file_count
    from quarantined_row
    group by file_hash
)

select
    file_hash,
    intake_file.file_name,
    intake_file.file_status,
    intake_file.quarantined_row_count,
    listed.listed_row_count
from intake_file
full join listed using (file_hash)
where
    intake_file.file_status is null
    or (
        intake_file.file_status = 'loaded'
        and intake_file.quarantined_row_count <> coalesce(listed.listed_row_count, 0)
    )
    or (intake_file.file_status = 'quarantined' and coalesce(listed.whole_file_count, 0) <> 1);
