-- one row per export of a touched vendor: of a date's full exports that do not wait, the one with the highest revision,
-- then the highest hash, wins
create or replace temp table export_standing as
with ranked as (
    select
        export.*,
        waiting_export.file_hash is not null as is_waiting,
        row_number() over (
            partition by export.vendor_code, export.observed_on, export.is_full, waiting_export.file_hash is not null
            order by export.revision_number desc, export.export_hash desc
        ) as place
    from export
    left join waiting_export
        on export.export_hash = waiting_export.file_hash
        and export.vendor_code = waiting_export.vendor_code
        and export.observed_on = waiting_export.observed_on
)

select
    export_hash,
    vendor_code,
    observed_on,
    row_count,
    is_full,
    revision_number,
    may_close,
    case
        when is_waiting then 'waiting'
        when not is_full then 'overlay'
        when place = 1 then 'winner'
        else 'superseded'
    end as export_standing
from ranked;
