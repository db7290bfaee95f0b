-- every suspect price is in the history, in price periods from the day it came up
select suspect_price.*
from suspect_price
left join price_history using (offer_id, step_from_quantity)
where
    price_history.offer_id is null
    or price_history.unit_price <> suspect_price.unit_price
    or price_history.currency_code <> suspect_price.currency_code
    or price_history.valid_from_on <> suspect_price.valid_from_on
    or suspect_price.price_from_on > suspect_price.valid_from_on
    or (suspect_price.own_ratio is null and suspect_price.market_ratio is null);
