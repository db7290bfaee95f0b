-- one row per export of this turn where it or the export before it has price steps: of each, the offers with several
-- steps, and those of which some step costs more each than a lower one
--
-- A step is compared with the next one in the same currency.
with listed as (
    select
        turn_export.file_hash,
        turn_export.vendor_code,
        turn_export.observed_on,
        false as is_previous,
        new_part.brought_by as row_hash,
        turn_export.observed_on as row_on
    from turn_export
    join new_part using (file_hash, vendor_code, observed_on)
    union all
    select file_hash, vendor_code, observed_on, true as is_previous, compared_file_hash, compared_on
    from compared_export
    where compared_as = 'previous'
),

step as (
    select
        file_hash as row_hash,
        vendor_code,
        observed_on as row_on,
        part_code,
        colour_code,
        condition,
        listing_code,
        currency_code,
        step_from_quantity,
        unit_price
    from stored_observation
    where file_hash in (select row_hash from listed)
),

later_step as (
    select distinct row_hash, vendor_code, row_on, part_code, colour_code, condition, listing_code
    from step
    where step_from_quantity > 1
),

step_and_next as (
    select
        *,
        lead(unit_price) over (
            partition by
                row_hash, vendor_code, row_on, part_code, colour_code, condition, listing_code, currency_code
            order by step_from_quantity
        ) as next_price
    from step
    semi join later_step using (row_hash, vendor_code, row_on, part_code, colour_code, condition, listing_code)
),

offer as (
    select
        row_hash,
        vendor_code,
        row_on,
        part_code,
        colour_code,
        condition,
        listing_code,
        coalesce(bool_or(next_price > unit_price), false) as is_rising
    from step_and_next
    group by all
    having count(next_price) > 0
)

select
    listed.file_hash,
    listed.vendor_code,
    listed.observed_on,
    count(*) filter (not is_previous) as stepped_count,
    count(*) filter (not is_previous and is_rising) as rising_count,
    count(*) filter (is_previous) as stepped_before_count,
    count(*) filter (is_previous and is_rising) as rising_before_count
from listed
join offer using (row_hash, vendor_code, row_on)
group by all;
