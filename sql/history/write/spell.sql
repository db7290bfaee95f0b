-- one row per spell of a settled vendor's offer and price step; the latest run of confirmations goes on where the spell
-- stands and the offer was seen on the vendor's last winning full export, or later
insert into spell
with last_winner as (
    select vendor_code, max(observed_on) as full_on
    from export_standing
    where export_standing = 'winner'
    group by vendor_code
),

new_spell as (
    select
        listing.*,
        listing_spell.export_hash,
        listing_spell.valid_from_on,
        listing_spell.valid_to_on,
        listing_run.confirmed_from_on,
        case
            when
                listing_spell.valid_to_on is not null
                or listing_run.confirmed_to_on < last_winner.full_on
                then listing_run.confirmed_to_on
        end as confirmed_to_on,
        offer_id(
            listing.vendor_code,
            listing.part_code,
            listing.colour_code,
            listing.condition,
            listing.listing_code,
            listing_spell.valid_from_on
        ) as offer_id
    from listing_spell
    semi join settled_vendor using (vendor_code)
    join listing using (listing_number, vendor_code)
    join listing_run
        on listing_spell.listing_number = listing_run.listing_number
        and listing_spell.valid_from_on = listing_run.valid_from_on
        and listing_run.is_latest
    left join last_winner on listing_spell.vendor_code = last_winner.vendor_code
)

select
    new_spell.offer_id,
    new_spell.vendor_code,
    new_spell.part_code,
    new_spell.colour_code,
    new_spell.condition,
    new_spell.listing_code,
    export_row.step_from_quantity,
    export_row.currency_code,
    export_row.unit_price,
    export_row.quantity_available,
    export_row.sold_in_multiples_of,
    export_row.assortment_code,
    export_row.maximum_per_order,
    export_row.form_certainty,
    new_spell.valid_from_on,
    new_spell.valid_to_on,
    new_spell.confirmed_from_on,
    new_spell.confirmed_to_on,
    export_row.file_hash,
    export_row.source_line_number,
    export_row.record_number,
    export_row.stored_number
from new_spell
join export_row
    on new_spell.export_hash = export_row.export_hash
    and new_spell.valid_from_on = export_row.observed_on
    and new_spell.vendor_code = export_row.vendor_code
    and new_spell.part_code = export_row.part_code
    and new_spell.colour_code = export_row.colour_code
    and new_spell.condition = export_row.condition
    and new_spell.listing_code = export_row.listing_code
    and not export_row.is_outdone
order by all;
