-- one row per offer spell begun on or before a day, with its latest confirmation up to that day
--
-- A run of confirmations that goes on after the day was confirmed on every date of a winning full export within it,
-- so its latest confirmation up to the day is the vendor's latest such date, or the run's start if that is later.
create or replace macro confirmed_on(day) as table
with vendor_full_date as (
    select vendor_code, max(observed_on) as full_on
    from vendor_export
    where export_standing = 'winner' and observed_on <= day
    group by vendor_code
),

run as (
    select
        vendor_code,
        offer_id,
        max(case when confirmed_to_on <= day then confirmed_to_on end) as ended_on,
        max(case when confirmed_to_on > day then confirmed_from_on end) as running_from_on
    from offer_confirmation
    where confirmed_from_on <= day
    group by vendor_code, offer_id
)

select
    run.offer_id,
    greatest(
        run.ended_on,
        run.running_from_on,
        case when run.running_from_on is not null then vendor_full_date.full_on end
    ) as last_confirmed_on
from run
left join vendor_full_date using (vendor_code);
