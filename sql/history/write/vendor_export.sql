-- one row per export of a touched vendor
insert into vendor_export
select
    export_hash as file_hash,
    vendor_code,
    observed_on,
    case when is_full then 'full' else 'partial' end as coverage,
    revision_number,
    export_standing,
    row_count
from export_standing
order by all;
