-- one row per open price step of an offer that the batch's exports change or leave out
--
-- A full export that does not have an offer ends its run of confirmations, whether or not it ends its price period.
update price_period
set
    confirmed_to_on = coalesce(
        price_period.confirmed_to_on,
        greatest(price_period.confirmed_from_on, append_batch.previous_winner_on)
    ),
    valid_to_on = case when append_change.is_listed or append_change.closes then append_batch.observed_on end
from append_change
join append_batch using (vendor_code)
where
    price_period.vendor_code = append_change.vendor_code
    and price_period.valid_to_on is null
    and price_period.offer_id = append_change.offer_id
    and (append_batch.is_full or append_change.is_listed);
