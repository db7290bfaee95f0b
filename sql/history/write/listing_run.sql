-- one row per run of confirmations of a touched vendor's price period
--
-- A run goes on while the offer is seen on every date of a winning full export. Any other date on which it is seen
-- starts a run, so that runs are exact on every day.
create or replace temp table listing_run as
with seen as (
    select
        *,
        observed_on = valid_from_on
        or not has_winner
        or coalesce(previous_seen_on < previous_winner_on, false) as is_run_start
    from listing_appearance
),

numbered as (
    select
        *,
        count(*) filter (is_run_start) over (
            partition by listing_number
            order by observed_on
            rows between unbounded preceding and current row
        ) as run_number
    from seen
),

run as (
    select
        listing_number,
        vendor_code,
        valid_from_on,
        min(observed_on) as confirmed_from_on,
        max(observed_on) as confirmed_to_on
    from numbered
    group by listing_number, vendor_code, valid_from_on, run_number
)

select
    *,
    confirmed_from_on = max(confirmed_from_on) over (partition by listing_number, valid_from_on) as is_latest
from run;
