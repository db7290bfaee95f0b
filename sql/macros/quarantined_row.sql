-- one row per quarantined record and failed rule of a file that is not withdrawn; record 0 stands for a file
-- quarantined whole
create or replace macro quarantined_row() as table
    with settled_contradiction as (
        -- rows that failed because they contradict each other share one value; once one is corrected, all are
        select distinct
            quarantined_failure.file_hash,
            quarantined_failure.quarantined_rule,
            quarantined_failure.quarantined_value
        from quarantined_failure
        semi join replaced_record using (file_hash, record_number)
        where quarantined_failure.quarantined_column = '' and quarantined_failure.quarantined_value <> ''
    )

    select
        quarantined_failure.file_hash,
        received_file.file_name,
        quarantined_failure.source_line_number,
        quarantined_failure.record_number,
        quarantined_failure.quarantined_column,
        quarantined_failure.quarantined_value,
        quarantined_failure.quarantined_rule,
        quarantined_failure.what_to_do,
        coalesce(replaced_record.file_hash, settled_contradiction.file_hash) is not null as is_corrected
    from quarantined_failure
    join received_file using (file_hash)
    anti join withdrawn_file using (file_hash)
    left join replaced_record using (file_hash, record_number)
    left join settled_contradiction
        on quarantined_failure.quarantined_column = ''
        and quarantined_failure.file_hash = settled_contradiction.file_hash
        and quarantined_failure.quarantined_rule = settled_contradiction.quarantined_rule
        and quarantined_failure.quarantined_value = settled_contradiction.quarantined_value
    order by quarantined_failure.file_hash, record_number, quarantined_column, quarantined_rule;
