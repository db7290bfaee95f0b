-- one row per spell of a settled vendor's offer and price step
insert into price_history
with spell as (
    select
        listing.*,
        listing_spell.export_hash,
        listing_spell.valid_from_on,
        listing_spell.valid_to_on,
        listing_spell.last_confirmed_on,
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
)

select
    spell.offer_id,
    spell.vendor_code,
    spell.part_code,
    spell.colour_code,
    spell.condition,
    spell.listing_code,
    export_row.step_from_quantity,
    export_row.currency_code,
    export_row.unit_price,
    export_row.quantity_available,
    export_row.sold_in_multiples_of,
    export_row.assortment_code,
    export_row.maximum_per_order,
    export_row.form_certainty,
    spell.valid_from_on,
    spell.valid_to_on,
    spell.last_confirmed_on,
    export_row.file_hash,
    export_row.source_line_number,
    export_row.record_number
from spell
join export_row
    on export_row.export_hash = spell.export_hash
    and export_row.observed_on = spell.valid_from_on
    and export_row.vendor_code = spell.vendor_code
    and export_row.part_code = spell.part_code
    and export_row.colour_code = spell.colour_code
    and export_row.condition = spell.condition
    and export_row.listing_code = spell.listing_code
    and not export_row.is_outdone
order by all;
