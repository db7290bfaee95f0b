-- one row per new price of some days that has others of its offer before it
select
    new_price.price_number,
    new_price.valid_from_on,
    screen_part.part_family,
    new_price.own_price,
    new_price.unit_price,
    common_rate.factor
from new_price
join price_period on new_price.price_number = price_period.rowid
left join screen_part using (part_code)
left join common_rate
    on new_price.valid_from_on = common_rate.day
    and price_period.currency_code = common_rate.currency_code
where
    new_price.own_price is not null
    and new_price.valid_from_on between getvariable('first_day') and getvariable('last_day');
