-- confirmations by the batch's exports: a run goes on where the offer was confirmed at the vendor's full export before and
-- this one is full, too; all others start
create or replace temp table append_confirmed as
select
    price_history.vendor_code,
    price_history.offer_id,
    append_batch.observed_on,
    any_value(price_history.last_confirmed_on) as last_confirmed_on,
    bool_and(
        append_batch.is_full
        and coalesce(price_history.last_confirmed_on >= append_batch.previous_winner_on, true)
    ) as goes_on
from price_history
join append_batch using (vendor_code)
anti join append_change using (offer_id)
where price_history.valid_to_on is null
group by price_history.vendor_code, price_history.offer_id, append_batch.observed_on;

update offer_confirmation
set confirmed_to_on = append_confirmed.observed_on
from append_confirmed
where
    append_confirmed.goes_on
    and offer_confirmation.offer_id = append_confirmed.offer_id
    and offer_confirmation.vendor_code = append_confirmed.vendor_code
    and offer_confirmation.confirmed_to_on = append_confirmed.last_confirmed_on;

insert into offer_confirmation
select vendor_code, offer_id, observed_on, observed_on
from append_confirmed
where not goes_on
union all
select
    append_change.vendor_code,
    offer_id(
        append_change.vendor_code,
        append_change.part_code,
        append_change.colour_code,
        append_change.condition,
        append_change.listing_code,
        append_batch.observed_on
    ),
    append_batch.observed_on,
    append_batch.observed_on
from append_change
join append_batch using (vendor_code)
where append_change.is_listed
order by all;
