-- one row per candidate price and other vendor that sold the same element in the same condition on the day the price
-- came up: that vendor's lowest price for few pieces
with rival_offer as (
    select
        screen_candidate.candidate_number,
        screen_candidate.valid_from_on,
        price_history.vendor_code,
        price_history.listing_code,
        price_history.currency_code,
        arg_min(price_history.unit_price, price_history.step_from_quantity) as unit_price
    from screen_candidate
    join price_history using (part_code, colour_code, condition)
    where
        price_history.vendor_code <> screen_candidate.vendor_code
        and price_history.valid_from_on <= screen_candidate.valid_from_on
        and (price_history.valid_to_on is null or price_history.valid_to_on > screen_candidate.valid_from_on)
    group by all
)

select candidate_number, valid_from_on, vendor_code, currency_code, min(unit_price) as unit_price
from rival_offer
group by all
order by all;
