-- one row per price period of a touched vendor's offer and price step
--
-- The latest run of confirmations goes on if the price period is open and the offer was seen on the date of the
-- vendor's last winning full export, or later.
insert into price_period
with last_winner as (
    select vendor_code, max(observed_on) as full_on
    from export_standing
    where export_standing = 'winner'
    group by vendor_code
),

new_price_period as (
    select
        listing.*,
        listing_period.export_hash,
        listing_period.valid_from_on,
        listing_period.valid_to_on,
        listing_run.confirmed_from_on,
        case
            when
                listing_period.valid_to_on is not null
                or listing_run.confirmed_to_on < last_winner.full_on
                then listing_run.confirmed_to_on
        end as confirmed_to_on,
        offer_id(
            listing.vendor_code,
            listing.part_code,
            listing.colour_code,
            listing.condition,
            listing.listing_code,
            listing_period.valid_from_on
        ) as offer_id
    from listing_period
    join listing using (listing_number, vendor_code)
    join listing_run
        on listing_period.listing_number = listing_run.listing_number
        and listing_period.valid_from_on = listing_run.valid_from_on
        and listing_run.is_latest
    left join last_winner on listing_period.vendor_code = last_winner.vendor_code
)

select
    new_price_period.offer_id,
    new_price_period.vendor_code,
    new_price_period.part_code,
    new_price_period.colour_code,
    new_price_period.condition,
    new_price_period.listing_code,
    export_row.step_from_quantity,
    export_row.currency_code,
    export_row.unit_price,
    export_row.quantity_available,
    export_row.sold_in_multiples_of,
    export_row.assortment_code,
    export_row.maximum_per_order,
    export_row.form_certainty,
    new_price_period.valid_from_on,
    new_price_period.valid_to_on,
    new_price_period.confirmed_from_on,
    new_price_period.confirmed_to_on,
    export_row.file_hash,
    export_row.source_line_number,
    export_row.record_number,
    export_row.stored_number
from new_price_period
join export_row
    on new_price_period.export_hash = export_row.export_hash
    and new_price_period.valid_from_on = export_row.observed_on
    and new_price_period.vendor_code = export_row.vendor_code
    and new_price_period.part_code = export_row.part_code
    and new_price_period.colour_code = export_row.colour_code
    and new_price_period.condition = export_row.condition
    and new_price_period.listing_code = export_row.listing_code
    and not export_row.is_left_out
order by all;
