-- one row per export of this turn and export it is compared with: elements in both, gone, and how their prices moved
--
-- $1: the factor by which a price has moved far.
with listed as (
    select file_hash, vendor_code, observed_on, count(*) as element_count
    from turn_element
    group by all
),

listed_before as (
    select file_hash as compared_file_hash, vendor_code, observed_on as compared_on, count(*) as compared_count
    from compared_element
    group by all
),

common as (
    select
        compared_export.file_hash,
        compared_export.vendor_code,
        compared_export.observed_on,
        compared_export.compared_as,
        turn_element.currency_code = compared_element.currency_code as is_same_currency,
        turn_element.price / compared_element.price as ratio
    from compared_export
    join compared_element
        on compared_export.compared_file_hash = compared_element.file_hash
        and compared_export.vendor_code = compared_element.vendor_code
        and compared_export.compared_on = compared_element.observed_on
    join turn_element
        on compared_export.file_hash = turn_element.file_hash
        and compared_export.vendor_code = turn_element.vendor_code
        and compared_export.observed_on = turn_element.observed_on
        and compared_element.part_code = turn_element.part_code
        and compared_element.colour_code = turn_element.colour_code
        and compared_element.condition = turn_element.condition
),

measured as (
    select
        file_hash,
        vendor_code,
        observed_on,
        compared_as,
        count(*) as common_count,
        count(*) filter (not is_same_currency) as other_currency_count,
        count(*) filter (is_same_currency and ratio = 1) as same_price_count,
        count(*) filter (is_same_currency and (ratio >= $1 or ratio <= 1 / $1::double)) as far_moved_count,
        median(ratio) filter (is_same_currency) as price_ratio
    from common
    group by all
)

select
    compared_export.*,
    coalesce(listed.element_count, 0) as element_count,
    coalesce(listed_before.compared_count, 0) as compared_count,
    coalesce(measured.common_count, 0) as common_count,
    coalesce(measured.other_currency_count, 0) as other_currency_count,
    coalesce(measured.same_price_count, 0) as same_price_count,
    coalesce(measured.far_moved_count, 0) as far_moved_count,
    measured.price_ratio
from compared_export
left join listed using (file_hash, vendor_code, observed_on)
left join listed_before using (compared_file_hash, vendor_code, compared_on)
left join measured using (file_hash, vendor_code, observed_on, compared_as);
