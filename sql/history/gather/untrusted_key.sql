-- one row per file with quarantined rows: how many of them, corrected rows left out, name no offer to be trusted
--
-- Rows that name an offer but are not to be trusted are known by their number only; they count as uncorrected as long as
-- enough such rows are.
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
        count(*) filter (named.file_hash is null and corrected_away.file_hash is null) as unnamed_uncorrected,
        count(*) filter (named.file_hash is not null and corrected_away.file_hash is null) as named_uncorrected
    from quarantined_record
    left join named using (file_hash, record_number)
    left join corrected_away using (file_hash, record_number)
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
