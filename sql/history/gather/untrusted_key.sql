-- one row per file with quarantined rows: how many of them name no offer that can be trusted, corrected rows left out
--
-- A row whose offer is named but not trusted is known only by the file's count. It counts as long as enough such rows
-- are uncorrected.
create or replace temp table untrusted_key as
with quarantined_record as (
    select distinct file_hash, record_number
    from quarantined_failure
    where record_number > 0
),

named as (
    select distinct file_hash, record_number
    from quarantined_key
),

quarantined_tally as (
    select
        quarantined_record.file_hash,
        count(*) filter (named.file_hash is null) as unnamed,
        count(*) filter (named.file_hash is null and replaced_record.file_hash is null) as unnamed_uncorrected,
        count(*) filter (named.file_hash is not null and replaced_record.file_hash is null) as named_uncorrected
    from quarantined_record
    left join named using (file_hash, record_number)
    left join replaced_record using (file_hash, record_number)
    group by quarantined_record.file_hash
)

select
    quarantined_tally.file_hash,
    quarantined_tally.unnamed_uncorrected
    + least(
        greatest(received_file.unreadable_key_count - quarantined_tally.unnamed, 0),
        quarantined_tally.named_uncorrected
    ) as row_count
from quarantined_tally
join received_file using (file_hash);
