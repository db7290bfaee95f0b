-- an offer_id names one price period of one offer, whose price steps end and were confirmed together
select
    offer_id,
    count(
        distinct row(vendor_code, part_code, colour_code, condition, listing_code, valid_from_on)
    ) as price_period_count,
    count(distinct coalesce(valid_to_on, date 'infinity')) as end_count,
    count(distinct last_confirmed_on) as confirmation_count
from price_history
group by offer_id
having price_period_count > 1 or end_count > 1 or confirmation_count > 1;
