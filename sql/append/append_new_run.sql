-- one row per open offer whose run of confirmations does not go on, and that its vendor's export lists unchanged
--
-- Most offers are confirmed by a full export and were confirmed by the one before. Their run goes on, and nothing is
-- written.
create or replace temp table append_new_run as
select
    price_period.vendor_code,
    price_period.offer_id,
    price_period.confirmed_from_on,
    coalesce(price_period.confirmed_to_on, greatest(price_period.confirmed_from_on, append_batch.previous_winner_on))
        as confirmed_to_on,
    append_batch.observed_on
from price_period
join append_batch using (vendor_code)
anti join append_change using (offer_id)
where price_period.valid_to_on is null and (price_period.confirmed_to_on is not null or not append_batch.is_full);
