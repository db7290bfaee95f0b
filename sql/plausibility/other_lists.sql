-- one row per export of this turn that needs it and list of another vendor near its date: elements in both, those with
-- the same price and quantity, and the median ratio of prices in one currency
--
-- It needs it if it has little in common with its vendor's own list: doubtful_export. Of each other vendor the latest
-- list up to 31 days after the date counts, be it checked before or at the same time. currency_rate turns prices into
-- one currency. Lists and elements are joined by numbers, because texts take three times as long.
with other_list as (
    select vendor_code, file_hash, observed_on, received_at
    from known_export
    where is_full
    union all
    select vendor_code, file_hash, observed_on, received_at
    from turn_export
    where is_full
),

doubtful as materialized (
    select *, row_number() over (order by file_hash, vendor_code, observed_on) as list_number
    from doubtful_export
),

chosen as materialized (
    select
        doubtful.list_number,
        other_list.vendor_code as other_code,
        other_list.file_hash as other_hash,
        other_list.observed_on as other_on,
        dense_rank()
            over (order by other_list.vendor_code, other_list.file_hash, other_list.observed_on)
            as other_number
    from doubtful
    join other_list
        on doubtful.vendor_code <> other_list.vendor_code
        and doubtful.received_at >= other_list.received_at
        and other_list.observed_on <= doubtful.observed_on + 31
    qualify row_number() over (
            partition by doubtful.list_number, other_list.vendor_code
            order by other_list.observed_on desc, other_list.received_at desc, other_list.file_hash desc
        ) = 1
),

doubtful_row as materialized (
    select
        doubtful.list_number,
        turn_element.part_code,
        turn_element.colour_code,
        turn_element.condition,
        turn_element.price,
        turn_element.quantity_available,
        turn_element.price * currency_rate.rate as common_price
    from turn_element
    join doubtful using (file_hash, vendor_code, observed_on)
    left join currency_rate using (currency_code)
),

distinct_element as (
    select distinct part_code, colour_code, condition
    from doubtful_row
),

element as materialized (
    select *, row_number() over (order by part_code, colour_code, condition) as element_number
    from distinct_element
),

doubtful_element as (
    select
        doubtful_row.list_number,
        element.element_number,
        doubtful_row.price,
        doubtful_row.quantity_available,
        doubtful_row.common_price
    from doubtful_row
    join element using (part_code, colour_code, condition)
),

chosen_list as (
    select distinct other_number, other_code, other_hash, other_on
    from chosen
),

other_element as (
    select
        chosen_list.other_number,
        element.element_number,
        min(stored_observation.unit_price)::double as price,
        min(stored_observation.unit_price * currency_rate.rate)::double as common_price,
        max(stored_observation.quantity_available) as quantity_available
    from stored_observation
    join chosen_list
        on stored_observation.vendor_code = chosen_list.other_code
        and stored_observation.file_hash = chosen_list.other_hash
        and stored_observation.observed_on = chosen_list.other_on
    join element
        on stored_observation.part_code = element.part_code
        and stored_observation.colour_code = element.colour_code
        and stored_observation.condition = element.condition
    left join currency_rate using (currency_code)
    group by all
),

compared as (
    select
        chosen.list_number,
        chosen.other_number,
        count(*) as common_count,
        count(*) filter (
            doubtful_element.price = other_element.price
            and doubtful_element.quantity_available = other_element.quantity_available
        ) as same_count,
        median(doubtful_element.common_price / other_element.common_price) as price_ratio
    from chosen
    join doubtful_element on chosen.list_number = doubtful_element.list_number
    join other_element
        on chosen.other_number = other_element.other_number
        and doubtful_element.element_number = other_element.element_number
    group by all
)

select
    doubtful.file_hash,
    doubtful.vendor_code,
    doubtful.observed_on,
    chosen.other_code,
    chosen.other_hash,
    chosen.other_on,
    compared.common_count,
    compared.same_count,
    compared.price_ratio
from compared
join doubtful using (list_number)
join chosen using (list_number, other_number);
