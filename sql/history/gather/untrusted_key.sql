-- one row per file with held rows: how many of them, mended rows left out, name no offer to be trusted
--
-- Rows that name an offer but are not to be trusted are known by their number only; they count as unmended as long as
-- enough such rows are.
create or replace temp table untrusted_key as
with held_record as (
    select distinct file_hash, record_number
    from held_failure
    where record_number > 0
),

named as (
    select distinct file_hash, record_number
    from held_key
),

held_tally as (
    select
        held_record.file_hash,
        count(*) filter (named.file_hash is null) as unnamed,
        count(*) filter (named.file_hash is null and mended_away.file_hash is null) as unnamed_unmended,
        count(*) filter (named.file_hash is not null and mended_away.file_hash is null) as named_unmended
    from held_record
    left join named using (file_hash, record_number)
    left join mended_away using (file_hash, record_number)
    group by held_record.file_hash
)

select
    held_tally.file_hash,
    held_tally.unnamed_unmended
    + least(
        greatest(received_file.unreadable_key_count - held_tally.unnamed, 0),
        held_tally.named_unmended
    ) as row_count
from held_tally
join received_file using (file_hash);
