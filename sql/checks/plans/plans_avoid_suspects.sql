-- no plan buys an offer whose price was suspect on the plan's date and not confirmed by then
select plan_purchase.*
from plan_purchase
join suspect_price using (offer_id)
where suspect_price.cleared_from_on is null or suspect_price.cleared_from_on > plan_purchase.priced_on;
