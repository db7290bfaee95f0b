-- one row per candidate: how many other vendors offered the element on the day the price came up, and the quartiles of
-- the logarithms of their prices (type 7: linear interpolation)
--
-- The prices of all vendors are sorted once per element and day, and the candidate's vendor is passed over: of the
-- sorted prices without x, the one at a place is the same as before if that is below x, and the next one otherwise. So
-- three neighbours at each quartile are enough, and a market of many vendors takes no more time than its offers.
with sorted as (
    select
        market_number,
        list_sort(list(log_price)) as prices,
        count(*) as vendor_count,
        (count(*) - 2) * 0.25 as first_place,
        (count(*) - 2) * 0.5 as median_place,
        (count(*) - 2) * 0.75 as third_place
    from vendor_price
    group by market_number
),

near_quartile as (
    select
        market_number,
        vendor_count,
        first_place % 1 as first_part,
        prices[floor(first_place)::bigint + 1] as first_1,
        prices[floor(first_place)::bigint + 2] as first_2,
        prices[floor(first_place)::bigint + 3] as first_3,
        median_place % 1 as median_part,
        prices[floor(median_place)::bigint + 1] as median_1,
        prices[floor(median_place)::bigint + 2] as median_2,
        prices[floor(median_place)::bigint + 3] as median_3,
        third_place % 1 as third_part,
        prices[floor(third_place)::bigint + 1] as third_1,
        prices[floor(third_place)::bigint + 2] as third_2,
        prices[floor(third_place)::bigint + 3] as third_3
    from sorted
),

of_others as (
    select
        candidate.*,
        coalesce(near_quartile.vendor_count, 0) as vendor_count,
        vendor_price.log_price as passed_over,
        if(near_quartile.first_1 < passed_over, near_quartile.first_1, near_quartile.first_2) as first_low,
        if(near_quartile.first_2 < passed_over, near_quartile.first_2, near_quartile.first_3) as first_high,
        near_quartile.first_part,
        if(near_quartile.median_1 < passed_over, near_quartile.median_1, near_quartile.median_2) as median_low,
        if(near_quartile.median_2 < passed_over, near_quartile.median_2, near_quartile.median_3) as median_high,
        near_quartile.median_part,
        if(near_quartile.third_1 < passed_over, near_quartile.third_1, near_quartile.third_2) as third_low,
        if(near_quartile.third_2 < passed_over, near_quartile.third_2, near_quartile.third_3) as third_high,
        near_quartile.third_part
    from candidate
    left join element_day
        on candidate.element_number = element_day.element_number
        and candidate.valid_from_on = element_day.priced_on
    left join near_quartile using (market_number)
    left join vendor_price
        on element_day.market_number = vendor_price.market_number
        and candidate.vendor_number = vendor_price.vendor_number
)

select
    price_number,
    own_price,
    own_ratio,
    log_price,
    factor,
    sold_in_multiples_of,
    vendor_count - if(passed_over is null, 0, 1) as rival_vendor_count,
    first_low + if(first_part = 0, 0, (first_high - first_low) * first_part) as first_quartile,
    median_low + if(median_part = 0, 0, (median_high - median_low) * median_part) as median_log_price,
    third_low + if(third_part = 0, 0, (third_high - third_low) * third_part) as third_quartile
from of_others;
