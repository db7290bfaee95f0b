-- one row per vendor whose history only gets an addition at its end from the files to fold
--
-- The vendor has one export, new and later than all that is known of the vendor, and without ties to corrected rows. No
-- declared correction names the vendor, none of its exports waits, and no decision about its earlier files is still to
-- be folded.
create or replace temp table append_vendor as
with new_file as (
    select distinct file_hash
    from file_to_fold
    anti join withdrawn_file using (file_hash)
    where is_new
),

run_length as (
    select run_number, count(*) as row_count
    from repeated_record
    group by run_number
),

new_run as (
    select repeated_run.*, run_length.row_count
    from repeated_run
    semi join new_file using (file_hash)
    join run_length using (run_number)
),

new_row as (
    select vendor_code, file_hash, observed_on, coverage, revision_number, row_count, row_count as repeated_count
    from new_run
    union all
    select vendor_code, file_hash, observed_on, coverage, revision_number, count(*), 0
    from observed_row
    semi join new_file using (file_hash)
    group by all
),

new_export as (
    select
        vendor_code,
        file_hash,
        observed_on,
        bool_and(coverage = 'full') as is_full,
        max(revision_number) as revision_number,
        sum(row_count)::bigint as row_count,
        sum(repeated_count)::bigint as repeated_count
    from new_row
    group by all
),

single as (
    select *
    from new_export
    qualify count(*) over (partition by vendor_code) = 1
),

known_export as (
    select vendor_code, observed_on
    from vendor_export
    where vendor_code in (select vendor_code from single)
    union all
    select quarantined_key.vendor_code, quarantined_key.observed_on
    from quarantined_key
    anti join single using (vendor_code, file_hash, observed_on)
),

known_date as (
    select vendor_code, max(observed_on) as observed_on
    from known_export
    group by vendor_code
),

-- files that were folded before and must be again, since a decision about them changed: even one that counted for
-- nothing so far, being withdrawn, may now come before the new export
earlier_file as (
    select file_hash
    from file_to_fold
    group by file_hash
    having not bool_or(is_new)
),

redecided_vendor as (
    select vendor_code
    from vendor_export
    semi join earlier_file using (file_hash)
    union
    select vendor_code
    from observed_row
    semi join earlier_file using (file_hash)
    union
    select vendor_code
    from repeated_run
    semi join earlier_file using (file_hash)
),

waiting_vendor as (
    select vendor_code
    from vendor_export
    where export_standing = 'waiting'
),

open_vendor as (
    select distinct vendor_code
    from price_period
    where valid_to_on is null
),

last_winner as (
    select vendor_code, max(observed_on) as observed_on
    from vendor_export
    where export_standing = 'winner'
    group by vendor_code
)

select
    single.*,
    coalesce(100 * untrusted_key.row_count <= received_file.read_row_count, true) as may_close,
    last_winner.observed_on as previous_winner_on,
    open_vendor.vendor_code is not null as has_open
from single
join received_file using (file_hash)
left join untrusted_key using (file_hash)
left join known_date using (vendor_code)
left join open_vendor using (vendor_code)
left join last_winner using (vendor_code)
where
    (known_date.observed_on is null or known_date.observed_on < single.observed_on)
    and single.vendor_code in (select vendor_code from touched_vendor)
    and single.vendor_code not in (select vendor_code from source_correction)
    and single.vendor_code not in (select vendor_code from waiting_vendor)
    and single.vendor_code not in (select vendor_code from waiting_export)
    and single.file_hash not in (select file_hash from vendor_export)
    and single.vendor_code not in (select vendor_code from redecided_vendor)
    and not exists (
        select 1
        from quarantined_key
        semi join file_to_fold using (file_hash)
        where
            quarantined_key.vendor_code = single.vendor_code
            and (quarantined_key.file_hash <> single.file_hash or quarantined_key.observed_on <> single.observed_on)
    )
    and not exists (
        select 1
        from corrected_record
        where corrected_record.file_hash = single.file_hash or corrected_record.parent_file_hash = single.file_hash
    );
