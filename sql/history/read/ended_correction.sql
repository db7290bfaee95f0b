-- one row per declared correction with a guard that applied once but no longer does: the first date within its dates on
-- which its vendor's export had no row to correct
with last_corrected as (
    select
        source_correction.vendor_code,
        source_correction.part_code,
        source_correction.colour_code,
        source_correction.observed_from_on,
        source_correction.observed_to_on,
        max(corrected_row.observed_on) as corrected_on
    from source_correction
    join corrected_row
        on source_correction.vendor_code = corrected_row.vendor_code
        and source_correction.part_code in ('*', corrected_row.part_code)
        and source_correction.colour_code in ('*', corrected_row.colour_code)
        and source_correction.observed_from_on <= corrected_row.observed_on
        and source_correction.reason = corrected_row.reason
    where coalesce(guard_price_from, guard_price_to) is not null or guard_currency_code is not null
    group by all
)

select
    last_corrected.vendor_code,
    last_corrected.part_code,
    last_corrected.colour_code,
    last_corrected.observed_from_on,
    min(vendor_export.observed_on) as error_ended_on
from last_corrected
join vendor_export
    on last_corrected.vendor_code = vendor_export.vendor_code
    and vendor_export.coverage = 'full'
    and vendor_export.export_standing = 'winner'
    and last_corrected.corrected_on < vendor_export.observed_on
    and vendor_export.observed_on <= coalesce(last_corrected.observed_to_on, vendor_export.observed_on)
group by all
order by all;
