-- one row per export of this turn that needs it and list of another vendor near its date: elements in both, those with
-- the same price and quantity, and the median ratio of prices in one currency
--
-- It needs it if it has little in common with its vendor's own list: doubtful_export. Of each other vendor the latest
-- list up to 31 days after the date counts, be it checked before or at the same time. currency_rate turns prices into
-- one currency.
with other_list as (
    select vendor_code, file_hash, observed_on, received_at
    from known_export
    where is_full
    union all
    select vendor_code, file_hash, observed_on, received_at
    from turn_export
    where is_full
),

chosen as (
    select
        doubtful_export.file_hash,
        doubtful_export.vendor_code,
        doubtful_export.observed_on,
        other_list.vendor_code as other_code,
        other_list.file_hash as other_hash,
        other_list.observed_on as other_on
    from doubtful_export
    join other_list
        on doubtful_export.vendor_code <> other_list.vendor_code
        and doubtful_export.received_at >= other_list.received_at
        and other_list.observed_on <= doubtful_export.observed_on + 31
    qualify row_number() over (
            partition by
                doubtful_export.file_hash,
                doubtful_export.vendor_code,
                doubtful_export.observed_on,
                other_list.vendor_code
            order by other_list.observed_on desc, other_list.received_at desc, other_list.file_hash desc
        ) = 1
),

doubtful_element as (
    select
        turn_element.*,
        turn_element.price * currency_rate.rate as common_price
    from turn_element
    semi join doubtful_export using (file_hash, vendor_code, observed_on)
    left join currency_rate using (currency_code)
),

chosen_list as (
    select distinct other_code, other_hash, other_on
    from chosen
),

other_element as (
    select
        chosen_list.other_code,
        chosen_list.other_hash,
        chosen_list.other_on,
        stored_observation.part_code,
        stored_observation.colour_code,
        stored_observation.condition,
        min(stored_observation.unit_price)::double as price,
        min(stored_observation.unit_price * currency_rate.rate)::double as common_price,
        max(stored_observation.quantity_available) as quantity_available
    from stored_observation
    join chosen_list
        on stored_observation.vendor_code = chosen_list.other_code
        and stored_observation.file_hash = chosen_list.other_hash
        and stored_observation.observed_on = chosen_list.other_on
    left join currency_rate using (currency_code)
    where (part_code, colour_code, condition) in (select (part_code, colour_code, condition) from doubtful_element)
    group by all
),

compared as (
    select
        chosen.file_hash,
        chosen.vendor_code,
        chosen.observed_on,
        chosen.other_code,
        chosen.other_hash,
        chosen.other_on,
        doubtful_element.price = other_element.price
        and doubtful_element.quantity_available = other_element.quantity_available as is_same,
        doubtful_element.common_price / other_element.common_price as ratio
    from chosen
    join doubtful_element using (file_hash, vendor_code, observed_on)
    join other_element
        on chosen.other_code = other_element.other_code
        and chosen.other_hash = other_element.other_hash
        and chosen.other_on = other_element.other_on
        and doubtful_element.part_code = other_element.part_code
        and doubtful_element.colour_code = other_element.colour_code
        and doubtful_element.condition = other_element.condition
)

select
    file_hash,
    vendor_code,
    observed_on,
    other_code,
    other_hash,
    other_on,
    count(*) as common_count,
    count(*) filter (is_same) as same_count,
    median(ratio) as price_ratio
from compared
group by all;
