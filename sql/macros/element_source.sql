-- one row per price period and price step of every offer of an element ever seen, with the row of a price file that
-- opened it: the sources of index numbers, element prices and estimates of the element
create or replace macro element_source(part, colour) as table
    select
        price_history.vendor_code,
        price_history.condition,
        price_history.listing_code,
        price_history.step_from_quantity,
        price_history.unit_price,
        price_history.currency_code,
        price_history.quantity_available,
        price_history.valid_from_on,
        price_history.valid_to_on,
        price_history.last_confirmed_on,
        intake_file.file_name,
        offer_source.source_line_number,
        offer_source.file_hash,
        offer_source.record_number,
        price_history.offer_id
    from price_history
    left join offer_source using (offer_id, step_from_quantity)
    left join intake_file using (file_hash)
    where price_history.part_code = part and price_history.colour_code = colour
    order by
        price_history.vendor_code,
        price_history.condition,
        price_history.listing_code,
        price_history.valid_from_on,
        price_history.step_from_quantity;
