-- one row per price period of a suspect price: the periods from the day it came up until the step's next new price
select
    flagged_price.price_number,
    price_history.offer_id,
    price_history.step_from_quantity,
    price_history.valid_from_on,
    price_history.valid_to_on
from flagged_price
join price_history
    using (vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity, currency_code)
where
    price_history.valid_from_on >= flagged_price.price_from_on
    and (flagged_price.next_price_on is null or price_history.valid_from_on < flagged_price.next_price_on)
order by all;
