-- spells after the batch's exports: those listed as they were are confirmed, those changed or left out end, those
-- listed anew begin
--
-- Most are confirmed by a full export and were at the one before: their run of confirmations goes on, and nothing is
-- written. A run that does not go on is kept as an earlier one, and another starts.
create or replace temp table append_new_run as
select
    spell.vendor_code,
    spell.offer_id,
    spell.confirmed_from_on,
    coalesce(
        spell.confirmed_to_on,
        greatest(spell.confirmed_from_on, append_batch.previous_winner_on)
    ) as confirmed_to_on,
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

-- An offer that changed begins anew with all of its steps, those that are as they were among them
-- Nothing needs them sorted.
insert into spell by name
with repeated_step as (
    select vendor_code, offer_id, stored_number
    from append_step
    where is_repeated
),

listed as (
    select append_new.*
    from append_new
    semi join append_batch using (vendor_code)
    union all by name
    select
        append_batch.file_hash,
        append_reference.record_number,
        append_reference.source_line_number,
        append_batch.observed_on,
        spell.* exclude (
            offer_id, valid_from_on, valid_to_on, confirmed_from_on, confirmed_to_on, file_hash, record_number,
            source_line_number
        )
    from spell
    semi join repeated_step using (vendor_code, offer_id, stored_number)
    join append_reference using (stored_number)
    join append_batch using (vendor_code)
)

select
    offer_id(vendor_code, part_code, colour_code, condition, listing_code, observed_on) as offer_id,
    * exclude (observed_on, coverage, revision_number),
    observed_on as valid_from_on,
    cast(null as date) as valid_to_on,
    observed_on as confirmed_from_on,
    cast(null as date) as confirmed_to_on
from listed;
