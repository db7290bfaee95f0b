-- one row per day on which something changes that the screen looks at: a digest of all of it
--
-- Price periods count on the days on which they begin and end, exchange rates on their own. What holds for all days
-- counts on a day before all others. So whether a price is suspect depends on no later day than the one it came up on.
create or replace temp table changed_day as
with change as (
    select
        valid_from_on as changed_on,
        hash(
            1, valid_from_on, vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity,
            currency_code, unit_price, sold_in_multiples_of
        ) as change_digest
    from price_period
    union all
    select
        valid_to_on,
        hash(
            2, valid_from_on, valid_to_on, vendor_code, part_code, colour_code, condition, listing_code,
            step_from_quantity, currency_code
        )
    from price_period
    where valid_to_on is not null
    union all
    select rate_on, hash(3, rate_on, from_currency_code, to_currency_code, exchange_rate)
    from screen_exchange_rate
    union all
    select date '0001-01-01', hash(4, part_code, part_family)
    from screen_part
    union all
    select date '0001-01-01', hash(5, getvariable('basis'))
)

select changed_on, bit_xor(change_digest) as day_digest
from change
group by changed_on;
