-- one row per export and offer in it, with a digest of all its price steps: price periods end where the digest changes
create or replace temp table export_listing as
select
    listing.listing_number,
    listing.vendor_code,
    export_row.export_hash,
    export_row.observed_on,
    -- the one free text comes last, so that no two rows are written alike; steps differ, so none cancel out
    bit_xor(md5_number(concat_ws(
        '|',
        export_row.step_from_quantity,
        export_row.unit_price,
        export_row.currency_code,
        export_row.quantity_available,
        export_row.sold_in_multiples_of,
        coalesce(export_row.maximum_per_order, 0),
        export_row.form_certainty,
        export_row.assortment_code
    ))) as content_digest
from export_row
join listing using (vendor_code, part_code, colour_code, condition, listing_code)
where not export_row.is_left_out
group by all;
