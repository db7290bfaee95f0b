-- purchases of offers with a suspicious price that nobody had confirmed by then: one row per purchase; expected none
select plan_purchase.*
from plan_purchase
join suspect_price using (offer_id)
where suspect_price.cleared_from_on is null or suspect_price.cleared_from_on > plan_purchase.priced_on;
