-- one row per date on which an offer of a touched vendor is seen
--
-- It has the start of the price period that the date belongs to, and the date of the full export that ends this period
-- by leaving the offer out, if one comes before the offer is listed again.
create or replace temp table listing_appearance as
with span as (
    select
        listing_event.*,
        vendor_day.has_winner,
        vendor_day.previous_winner_on,
        vendor_day.next_closing_on,
        lead(listing_event.observed_on) over listing_dates as next_event_on,
        count(*) filter (listing_event.is_seen) over (
            listing_dates rows between unbounded preceding and current row
        ) as seen_number
    from listing_event
    join vendor_day using (vendor_code, observed_on)
    window listing_dates as (partition by listing_event.listing_number order by listing_event.observed_on)
),

ended as (
    select
        *,
        min(case when next_event_on is null or next_closing_on < next_event_on then next_closing_on end) over (
            partition by listing_number, seen_number
        ) as closed_on
    from span
),

seen as (
    select
        * exclude (next_event_on, next_closing_on, seen_number, is_seen),
        lag(observed_on) over listing_dates as previous_seen_on,
        (
            content_digest is distinct from lag(content_digest) over listing_dates
            or lag(closed_on) over listing_dates is not null
        ) as is_start
    from ended
    where is_seen
    window listing_dates as (partition by listing_number order by observed_on)
)

select
    *,
    max(case when is_start then observed_on end) over (
        partition by listing_number
        order by observed_on
        rows between unbounded preceding and current row
    ) as valid_from_on
from seen;
