-- one row per row of a touched vendor that a declared correction changes or drops
--
-- The guard describes how the error shows. From the first date on which an offer is listed without the error, the
-- correction no longer applies to that offer. All rows count here, whichever exports win, but for withdrawn rows and
-- rows replaced by a corrected copy: what is corrected must not depend on what the correction changes.
insert into corrected_row
with matched as (
    select
        export_row.*,
        source_correction.part_code <> '*' as names_part,
        source_correction.colour_code <> '*' as names_colour,
        source_correction.part_code as correction_part_code,
        source_correction.colour_code as correction_colour_code,
        source_correction.observed_from_on,
        source_correction.correction_action,
        source_correction.correction_factor,
        source_correction.corrected_currency_code,
        source_correction.reason,
        export_row.unit_price >= coalesce(source_correction.guard_price_from, export_row.unit_price)
        and export_row.unit_price <= coalesce(source_correction.guard_price_to, export_row.unit_price)
        and export_row.currency_code = coalesce(source_correction.guard_currency_code, export_row.currency_code)
            as shows_error
    from export_row
    join source_correction
        on export_row.vendor_code = source_correction.vendor_code
        and source_correction.part_code in ('*', export_row.part_code)
        and source_correction.colour_code in ('*', export_row.colour_code)
        and export_row.observed_on >= source_correction.observed_from_on
        and export_row.observed_on <= coalesce(source_correction.observed_to_on, export_row.observed_on)
    where not export_row.is_left_out
),

guarded as (
    select
        *,
        min(case when not shows_error then observed_on end) over (
            partition by
                vendor_code, part_code, colour_code, condition, listing_code,
                correction_part_code, correction_colour_code, observed_from_on
        ) as error_ended_on
    from matched
),

chosen as (
    select
        *,
        case
            when correction_action = 'multiply_price'
                then (unit_price::decimal(38, 6) * correction_factor)::decimal(18, 6)
            else unit_price
        end as new_price
    from guarded
    where shows_error and (error_ended_on is null or observed_on < error_ended_on)
    qualify
        row_number() over (
            partition by file_hash, record_number
            order by names_part and names_colour desc, names_part desc, names_colour desc, observed_from_on desc
        ) = 1
)

select
    file_hash,
    record_number,
    source_line_number,
    vendor_code,
    part_code,
    colour_code,
    condition,
    listing_code,
    observed_on,
    case when new_price between 0.000001 and 100000 then correction_action else 'drop' end as new_action,
    unit_price,
    currency_code,
    case when new_action <> 'drop' then new_price end,
    case when new_action <> 'drop' then if(new_action = 'set_currency', corrected_currency_code, currency_code) end,
    reason
from chosen
order by all;
