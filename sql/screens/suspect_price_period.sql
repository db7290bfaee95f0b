-- one row per price period of a suspect price: the periods from the day it came up until the step's next new price
with since_it_came_up as (
    select
        flagged_price.*,
        price_history.offer_id,
        price_history.valid_from_on,
        price_history.valid_to_on,
        min(price_history.valid_from_on) filter (where price_history.unit_price <> flagged_price.unit_price) over (
            partition by flagged_price.rowid
        ) as next_price_on
    from flagged_price
    join price_history
        using (vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity, currency_code)
    where price_history.valid_from_on >= flagged_price.price_from_on
)

select * exclude (next_price_on)
from since_it_came_up
where next_price_on is null or valid_from_on < next_price_on
order by offer_id, step_from_quantity;
