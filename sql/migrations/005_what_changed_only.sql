-- a night writes what it changes: rows that repeat what is known are kept as references, and the run of confirmations
-- that goes on is kept with its price period, open-ended; the next fold fills the history for all vendors

drop view replaced_record;
drop table price_history;
drop table offer_confirmation;

-- rows of price files, as received, that add something new; numbered, so that rows that repeat them can refer to them
alter table price_observation rename to observed_row;
alter table observed_row add column stored_number bigint;
update observed_row
set stored_number = numbered.stored_number
from (
    select file_hash, record_number, row_number() over (order by file_hash, record_number) as stored_number
    from observed_row
) as numbered
where observed_row.file_hash = numbered.file_hash and observed_row.record_number = numbered.record_number;

-- rows of files that no fold has seen yet
create table fresh_row as
select *
from observed_row
where false;

-- one row per row of a price file that repeats its vendor's open price period: its place in its own file, and the row
-- that has its content. A line's number is kept as its distance from the record's number, which hardly changes in a
-- file.
create table repeated_row (
    file_hash varchar not null,
    record_number bigint not null,
    line_distance bigint not null,
    vendor_code varchar not null,
    observed_on date not null,
    coverage varchar not null,
    revision_number bigint not null,
    stored_number bigint not null
);

-- one row per row of a price file, with the number of the row that has its content
create view stored_observation as
from observed_row
union all
from fresh_row
union all
select
    repeated_row.file_hash,
    repeated_row.record_number,
    repeated_row.record_number + repeated_row.line_distance as source_line_number,
    repeated_row.vendor_code,
    observed_row.part_code,
    observed_row.colour_code,
    observed_row.condition,
    observed_row.unit_price,
    observed_row.currency_code,
    observed_row.quantity_available,
    repeated_row.observed_on,
    observed_row.listing_code,
    observed_row.sold_in_multiples_of,
    observed_row.step_from_quantity,
    observed_row.assortment_code,
    observed_row.maximum_per_order,
    observed_row.form_certainty,
    repeated_row.coverage,
    repeated_row.revision_number,
    repeated_row.stored_number
from repeated_row
join observed_row
    on repeated_row.stored_number = observed_row.stored_number
    and repeated_row.vendor_code = observed_row.vendor_code;

-- one row per row of a price file
create view price_observation as
select * exclude (stored_number)
from stored_observation;

-- one row per row of a price file, without its content, which need not be looked up then
create view observed_record as
select file_hash, record_number, vendor_code, observed_on
from observed_row
union all
select file_hash, record_number, vendor_code, observed_on
from fresh_row
union all
select file_hash, record_number, vendor_code, observed_on
from repeated_row;

-- as before; only the rows are kept elsewhere
create view replaced_record as
with accepted_copy as (
    select corrected_ancestor.*
    from corrected_ancestor
    semi join observed_record using (file_hash, record_number)
    anti join withdrawn_file using (file_hash)
)

select distinct
    ancestor_hash as file_hash,
    ancestor_record as record_number
from accepted_copy
union
select
    failed_again.file_hash,
    failed_again.record_number
from corrected_ancestor as failed_again
join accepted_copy
    on failed_again.ancestor_hash = accepted_copy.ancestor_hash
    and failed_again.ancestor_record = accepted_copy.ancestor_record
anti join corrected_ancestor as its_ancestor
    on failed_again.file_hash = its_ancestor.file_hash
    and failed_again.record_number = its_ancestor.record_number
    and accepted_copy.file_hash = its_ancestor.ancestor_hash
    and accepted_copy.record_number = its_ancestor.ancestor_record;

-- one row per price period of an offer's price step, with the latest run of its confirmations; while confirmed_to_on is
-- empty, the run goes on: the offer is in every winning full export of the vendor since
create table price_period (
    offer_id varchar not null,
    vendor_code varchar not null,
    part_code varchar not null,
    colour_code varchar not null,
    condition varchar not null,
    listing_code varchar not null,
    step_from_quantity bigint not null,
    currency_code varchar not null,
    unit_price decimal(18, 6) not null,
    quantity_available bigint not null,
    sold_in_multiples_of bigint not null,
    assortment_code varchar not null,
    maximum_per_order bigint,
    form_certainty varchar not null,
    valid_from_on date not null,
    valid_to_on date,
    confirmed_from_on date not null,
    confirmed_to_on date,
    -- the row that opened the price period, and the number of the one that has its content
    file_hash varchar not null,
    source_line_number bigint not null,
    record_number bigint not null,
    stored_number bigint not null
);

-- one row per run of confirmations of a price period that ended before the latest one began
create table earlier_confirmation (
    vendor_code varchar not null,
    offer_id varchar not null,
    confirmed_from_on date not null,
    confirmed_to_on date not null
);

-- one row per vendor with a winning full export: the date of the last one
create view last_full_export as
select vendor_code, max(observed_on) as full_on
from vendor_export
where export_standing = 'winner'
group by vendor_code;

-- one row per price period of an offer's price step
create view price_history as
select
    price_period.offer_id,
    price_period.vendor_code,
    price_period.part_code,
    price_period.colour_code,
    price_period.condition,
    price_period.listing_code,
    price_period.step_from_quantity,
    price_period.currency_code,
    price_period.unit_price,
    price_period.quantity_available,
    price_period.sold_in_multiples_of,
    price_period.assortment_code,
    price_period.maximum_per_order,
    price_period.form_certainty,
    price_period.valid_from_on,
    price_period.valid_to_on,
    coalesce(
        price_period.confirmed_to_on,
        greatest(price_period.confirmed_from_on, last_full_export.full_on)
    ) as last_confirmed_on,
    price_period.confirmed_from_on,
    price_period.file_hash,
    price_period.source_line_number,
    price_period.record_number
from price_period
left join last_full_export using (vendor_code);

-- one row per run of confirmations of a price period: it was confirmed on both dates, and between them on every date
-- on which its vendor has a winning full export
create view offer_confirmation as
select vendor_code, offer_id, confirmed_from_on, confirmed_to_on
from earlier_confirmation
union all
select distinct
    price_period.vendor_code,
    price_period.offer_id,
    price_period.confirmed_from_on,
    coalesce(
        price_period.confirmed_to_on, greatest(price_period.confirmed_from_on, last_full_export.full_on)
    ) as confirmed_to_on
from price_period
left join last_full_export using (vendor_code);

insert into file_to_fold
select file_hash
from received_file
where table_name = 'price_export' and not is_quarantined_whole;
