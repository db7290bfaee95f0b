-- one row, if there are exports that count: the latest date of an export on which at least half of the usual number of
-- vendors have one that is not stale
--
-- Usual is the largest number of vendors with fresh exports on any such date in the year before the last one. $1: days
-- after which an export is stale.
with export_day as (
    select distinct vendor_code, observed_on
    from vendor_export
    where export_standing in ('winner', 'overlay')
),

recent_day as (
    select distinct observed_on
    from export_day
    qualify observed_on > max(observed_on) over () - 366
),

fresh as (
    select recent_day.observed_on, count(distinct export_day.vendor_code) as vendor_count
    from recent_day
    join export_day
        on recent_day.observed_on >= export_day.observed_on
        and recent_day.observed_on - $1::integer < export_day.observed_on
    group by recent_day.observed_on
)

select observed_on, vendor_count, max(vendor_count) over () as usual_count
from fresh
qualify 2 * vendor_count >= usual_count
order by observed_on desc
limit 1;
