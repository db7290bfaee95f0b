-- one row per suspect price that came up on a day or later, with its offer
insert into flagged_price
select
    price_period.vendor_code,
    price_period.part_code,
    price_period.colour_code,
    price_period.condition,
    price_period.listing_code,
    price_period.step_from_quantity,
    price_period.currency_code,
    price_period.unit_price,
    price_period.valid_from_on as price_from_on,
    found_price.own_price,
    found_price.own_ratio,
    found_price.market_price,
    found_price.market_ratio,
    found_price.rival_vendor_count,
    found_price.pack_size,
    found_price.suspicion
from found_price
join price_period on found_price.price_number = price_period.rowid;
