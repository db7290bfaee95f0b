-- one row per export of the batch
insert into vendor_export
select
    file_hash,
    vendor_code,
    observed_on,
    case when is_full then 'full' else 'partial' end as coverage,
    revision_number,
    case when is_full then 'winner' else 'overlay' end as export_standing,
    row_count
from append_batch
order by all;
