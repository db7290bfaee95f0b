-- one row per file that is not withdrawn, held record and failed rule; record 0 stands for a file held whole
create or replace macro held_row() as table
    with settled_contradiction as (
    -- rows that failed together because they contradict each other state the same value; one of them was kept
        select distinct
            held_failure.file_hash,
            held_failure.held_rule,
            held_failure.held_value
        from held_failure
        semi join mended_away using (file_hash, record_number)
        where held_failure.held_column = '' and held_failure.held_value <> ''
    )

    select
        held_failure.file_hash,
        received_file.file_name,
        held_failure.source_line_number,
        held_failure.record_number,
        held_failure.held_column,
        held_failure.held_value,
        held_failure.held_rule,
        held_failure.what_to_do,
        coalesce(mended_away.file_hash, settled_contradiction.file_hash) is not null as is_mended
    from held_failure
    join received_file using (file_hash)
    anti join withdrawn_file using (file_hash)
    left join mended_away using (file_hash, record_number)
    left join settled_contradiction
        on held_failure.held_column = ''
        and held_failure.file_hash = settled_contradiction.file_hash
        and held_failure.held_rule = settled_contradiction.held_rule
        and held_failure.held_value = settled_contradiction.held_value
    order by held_failure.file_hash, record_number, held_column, held_rule;
