-- the confirmations of a price period begin on its first day, end on the last day it was confirmed, and do not overlap;
-- the price period names the start of the latest run
with run as (
    select
        offer_id,
        min(confirmed_from_on) as first_on,
        max(confirmed_to_on) as last_on,
        max(confirmed_from_on) as latest_from_on,
        bool_or(confirmed_to_on < confirmed_from_on) as is_backward
    from offer_confirmation
    group by offer_id
),

overlap as (
    select offer_id
    from offer_confirmation
    qualify confirmed_to_on >= lead(confirmed_from_on) over (partition by offer_id order by confirmed_from_on)
),

price_period as (
    select distinct offer_id, valid_from_on, last_confirmed_on, confirmed_from_on
    from price_history
)

select
    offer_id,
    price_period.valid_from_on,
    run.first_on,
    price_period.last_confirmed_on,
    run.last_on,
    price_period.confirmed_from_on,
    run.latest_from_on,
    overlap.offer_id is not null as has_overlap
from price_period
full join run using (offer_id)
left join overlap using (offer_id)
where
    price_period.valid_from_on is distinct from run.first_on
    or price_period.last_confirmed_on is distinct from run.last_on
    or price_period.confirmed_from_on is distinct from run.latest_from_on
    or run.is_backward
    or overlap.offer_id is not null;
