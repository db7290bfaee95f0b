-- spells after the batch's exports: those listed as they were are confirmed, those changed or left out end, those listed
-- anew begin
update price_history
set last_confirmed_on = append_batch.observed_on
from append_batch
where
    price_history.vendor_code = append_batch.vendor_code
    and price_history.valid_to_on is null
    and price_history.offer_id not in (select offer_id from append_change where offer_id is not null);

update price_history
set valid_to_on = append_batch.observed_on
from append_change
join append_batch using (vendor_code)
where
    price_history.vendor_code = append_change.vendor_code
    and price_history.valid_to_on is null
    and price_history.offer_id = append_change.offer_id
    and (append_change.is_listed or append_change.closes);

insert into price_history by name
select
    offer_id(
        fresh_row.vendor_code,
        fresh_row.part_code,
        fresh_row.colour_code,
        fresh_row.condition,
        fresh_row.listing_code,
        fresh_row.observed_on
    ) as offer_id,
    fresh_row.vendor_code,
    fresh_row.part_code,
    fresh_row.colour_code,
    fresh_row.condition,
    fresh_row.listing_code,
    fresh_row.step_from_quantity,
    fresh_row.currency_code,
    fresh_row.unit_price,
    fresh_row.quantity_available,
    fresh_row.sold_in_multiples_of,
    fresh_row.assortment_code,
    fresh_row.maximum_per_order,
    fresh_row.form_certainty,
    fresh_row.observed_on as valid_from_on,
    cast(null as date) as valid_to_on,
    fresh_row.observed_on as last_confirmed_on,
    fresh_row.file_hash,
    fresh_row.source_line_number,
    fresh_row.record_number
from fresh_row
semi join append_batch using (vendor_code, file_hash, observed_on)
join append_change using (vendor_code, part_code, colour_code, condition, listing_code)
where append_change.is_listed
order by all;
