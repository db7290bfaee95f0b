-- spells after the batch's exports: those listed as they were are confirmed, those changed or left out end, those listed
-- anew begin
--
-- Most are confirmed by a full export and were at the one before: their run of confirmations goes on, and nothing is written.
-- A run that does not go on is kept as an earlier one, and another starts.
create or replace temp table append_new_run as
select
    spell.vendor_code,
    spell.offer_id,
    spell.confirmed_from_on,
    coalesce(spell.confirmed_to_on, greatest(spell.confirmed_from_on, append_batch.previous_winner_on)) as confirmed_to_on,
    append_batch.observed_on
from spell
join append_batch using (vendor_code)
anti join append_change using (offer_id)
where spell.valid_to_on is null and (spell.confirmed_to_on is not null or not append_batch.is_full);

insert into earlier_confirmation
select distinct vendor_code, offer_id, confirmed_from_on, confirmed_to_on
from append_new_run
order by all;

update spell
set confirmed_from_on = append_new_run.observed_on, confirmed_to_on = null
from append_new_run
where spell.vendor_code = append_new_run.vendor_code and spell.offer_id = append_new_run.offer_id;

-- A full export that does not have an offer ends its run of confirmations, whether or not it ends its spell.
update spell
set
    confirmed_to_on = coalesce(
        spell.confirmed_to_on,
        greatest(spell.confirmed_from_on, append_batch.previous_winner_on)
    ),
    valid_to_on = case when append_change.is_listed or append_change.closes then append_batch.observed_on end
from append_change
join append_batch using (vendor_code)
where
    spell.vendor_code = append_change.vendor_code
    and spell.valid_to_on is null
    and spell.offer_id = append_change.offer_id
    and (append_batch.is_full or append_change.is_listed);

insert into spell by name
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
    fresh_row.observed_on as confirmed_from_on,
    cast(null as date) as confirmed_to_on,
    fresh_row.file_hash,
    fresh_row.source_line_number,
    fresh_row.record_number,
    fresh_row.stored_number
from fresh_row
semi join append_batch using (vendor_code, file_hash, observed_on)
join append_change using (vendor_code, part_code, colour_code, condition, listing_code)
where append_change.is_listed
order by vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity;
