-- one row per file taken in, with what became of each of its rows; every row read is counted once
--
-- In a withdrawn file every row counts as withdrawn. In a file quarantined whole every row counts as quarantined,
-- repeats apart. Rows of a waiting export count as quarantined until it is accepted. A quarantined row stays counted as
-- quarantined after its correction: the corrected copy is a row of the file that brought it, and counts there as the
-- export it rejoined does. A row replaced by a corrected copy counts as superseded, even if a declared correction drops
-- it.
create or replace macro intake_file() as table
    with dropped_row as (
        select file_hash, record_number
        from corrected_row
        where correction_action = 'drop'
    ),

    price_row as (
        select
            price_observation.file_hash,
            case
                when withdrawn_file.file_hash is not null then 'withdrawn'
                when superseded_row.file_hash is not null then 'superseded'
                when dropped_row.file_hash is not null then 'dropped'
                when vendor_export.export_standing in ('winner', 'overlay') then 'accepted'
                when vendor_export.export_standing = 'superseded' then 'superseded'
                when vendor_export.export_standing = 'waiting' then 'waiting'
            end as fate
        from observed_record as price_observation
        left join corrected_root using (file_hash, record_number)
        left join superseded_row using (file_hash, record_number)
        left join dropped_row using (file_hash, record_number)
        left join withdrawn_file on corrected_root.root_hash = withdrawn_file.file_hash
        left join vendor_export
            on vendor_export.file_hash = coalesce(corrected_root.root_hash, price_observation.file_hash)
            and price_observation.vendor_code = vendor_export.vendor_code
            and price_observation.observed_on = vendor_export.observed_on
    ),

    summary_row as (
        select
            summary_observation.file_hash,
            case
                when summary_observation.file_hash = max(summary_observation.file_hash) over same_price
                    then 'accepted'
                else 'superseded'
            end as fate
        from summary_observation
        anti join withdrawn_file using (file_hash)
        window same_price as (partition by source_code, part_code, colour_code, condition, observed_on)
    ),

    row_fate as (
        select file_hash, fate from price_row
        union all
        select file_hash, fate from summary_row
    ),

    fate_count as (
        select
            file_hash,
            count(*) filter (fate = 'accepted') as accepted_row_count,
            count(*) filter (fate = 'superseded') as superseded_row_count,
            count(*) filter (fate = 'waiting') as waiting_row_count,
            count(*) filter (fate = 'withdrawn') as withdrawn_row_count,
            count(*) filter (fate = 'dropped') as dropped_row_count
        from row_fate
        group by file_hash
    ),

    quarantined_count as (
        select file_hash, count(distinct record_number) as quarantined_row_count
        from quarantined_failure
        where record_number > 0
        group by file_hash
    ),

    gathered as (
        select
            received_file.*,
            withdrawn_file.file_hash is not null as is_withdrawn,
            coalesce(fate_count.accepted_row_count, 0) as accepted_row_count,
            coalesce(fate_count.superseded_row_count, 0) as superseded_row_count,
            coalesce(fate_count.waiting_row_count, 0) as waiting_row_count,
            coalesce(fate_count.withdrawn_row_count, 0) as withdrawn_row_count,
            coalesce(fate_count.dropped_row_count, 0) as dropped_row_count,
            coalesce(quarantined_count.quarantined_row_count, 0) as quarantined_row_count
        from received_file
        left join withdrawn_file using (file_hash)
        left join fate_count using (file_hash)
        left join quarantined_count using (file_hash)
    )

    select
        file_hash,
        file_name,
        table_name,
        profile_name,
        received_at,
        case
            when is_withdrawn then 'withdrawn'
            when is_quarantined_whole then 'quarantined'
            when waiting_row_count > 0 then 'waiting'
            else 'loaded'
        end as file_status,
        read_row_count,
        case when is_withdrawn then 0 else accepted_row_count end as accepted_row_count,
        case
            when is_withdrawn then 0
            when is_quarantined_whole then read_row_count - duplicate_row_count
            else quarantined_row_count + waiting_row_count
        end as quarantined_row_count,
        case when is_withdrawn then 0 else superseded_row_count end as superseded_row_count,
        case when is_withdrawn then 0 else duplicate_row_count end as duplicate_row_count,
        case when is_withdrawn then read_row_count else withdrawn_row_count end as withdrawn_row_count,
        case when is_withdrawn then 0 else dropped_row_count end as dropped_row_count
    from gathered
    order by file_hash;
