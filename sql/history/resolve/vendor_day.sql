-- one row per touched vendor and date of an event: whether a full export wins on it, which one won before, and when
-- the next one closes what it does not list
create or replace temp table vendor_day as
with winner as (
    select vendor_code, observed_on, may_close
    from export_standing
    where export_standing = 'winner'
),

event_day as (
    select distinct vendor_code, observed_on
    from listing_event
    union
    select vendor_code, observed_on
    from winner
)

select
    event_day.vendor_code,
    event_day.observed_on,
    winner.vendor_code is not null as has_winner,
    max(winner.observed_on) over (
        partition by event_day.vendor_code
        order by event_day.observed_on
        rows between unbounded preceding and 1 preceding
    ) as previous_winner_on,
    min(case when winner.may_close then winner.observed_on end) over (
        partition by event_day.vendor_code
        order by event_day.observed_on
        rows between 1 following and unbounded following
    ) as next_closing_on
from event_day
left join winner using (vendor_code, observed_on);
