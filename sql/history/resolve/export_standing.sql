-- one row per export of an unsettled vendor: of a date's full exports that do not wait, the one with the highest
-- revision, then the highest hash, wins
create or replace temp table export_standing as
with ranked as (
    select
        export.*,
        waiting_export.export_hash is not null as is_waiting,
        row_number() over (
            partition by export.vendor_code, export.observed_on, export.is_full, waiting_export.export_hash is not null
            order by export.revision_number desc, export.export_hash desc
        ) as place
    from export
    semi join unsettled_vendor using (vendor_code)
    left join waiting_export using (export_hash, vendor_code, observed_on)
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
        when not is_full then 'overlay'
        when is_waiting then 'waiting'
        when place = 1 then 'winner'
        else 'superseded'
    end as export_standing
from ranked;
