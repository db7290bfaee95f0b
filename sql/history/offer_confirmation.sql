-- one row per run of confirmations of a settled vendor's spell: a run goes on where the offer was seen on every date of
-- a winning full export; any other date on which it was seen starts a run, so that runs stay exact on every day
insert into offer_confirmation
with seen as (
    select
        *,
        observed_on = valid_from_on
        or not has_winner
        or coalesce(previous_seen_on < previous_winner_on, false) as is_run_start
    from listing_appearance
    semi join settled_vendor using (vendor_code)
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
        valid_from_on,
        min(observed_on) as confirmed_from_on,
        max(observed_on) as confirmed_to_on
    from numbered
    group by listing_number, valid_from_on, run_number
)

select
    listing.vendor_code,
    offer_id(
        listing.vendor_code,
        listing.part_code,
        listing.colour_code,
        listing.condition,
        listing.listing_code,
        run.valid_from_on
    ) as offer_id,
    run.confirmed_from_on,
    run.confirmed_to_on
from run
join listing using (listing_number)
order by all;
