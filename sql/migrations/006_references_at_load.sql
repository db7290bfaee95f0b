-- rows that repeat what is known are recognised as they are loaded, so that they are written once and in few bytes:
-- what they share is written once per run of rows, and rows with something new stay where they are first written

-- one row per run of rows of a price file that repeat open price periods and share all of these values
create table repeated_run (
    run_number bigint not null,
    file_hash varchar not null,
    vendor_code varchar not null,
    observed_on date not null,
    coverage varchar not null,
    revision_number bigint not null,
    -- a line's number is its distance from the record's number, which hardly changes in a file
    line_distance bigint not null
);

insert into repeated_run
with run as (
    select distinct file_hash, vendor_code, observed_on, coverage, revision_number, line_distance
    from repeated_row
)

select row_number() over (order by file_hash, vendor_code, observed_on, coverage, revision_number, line_distance), *
from run;

-- one row per row of a price file that repeats its vendor's open price period as it was when the file came: its place
-- in its file, and the number of the row that has its content
create table repeated_record as
select repeated_run.run_number, repeated_row.record_number, repeated_row.stored_number
from repeated_row
join repeated_run using (file_hash, vendor_code, observed_on, coverage, revision_number, line_distance)
order by all;

drop view replaced_record;
drop view observed_record;
drop view price_observation;
drop view stored_observation;
drop table repeated_row;

-- files that no fold has seen are new; of the others a decision changed, or they were read again
alter table file_to_fold add column is_new boolean default false;
update file_to_fold
set is_new = true
where file_hash in (select file_hash from fresh_row);
insert into observed_row from fresh_row;
drop table fresh_row;

-- one row per row of a price file that repeats another, with its place
create view repeated_row as
select
    repeated_run.file_hash,
    repeated_record.record_number,
    repeated_record.record_number + repeated_run.line_distance as source_line_number,
    repeated_run.vendor_code,
    repeated_run.observed_on,
    repeated_run.coverage,
    repeated_run.revision_number,
    repeated_record.stored_number
from repeated_record
join repeated_run using (run_number);

-- one row per row of a price file, with the number of the row that has its content
create view stored_observation as
from observed_row
union all
select
    repeated_row.file_hash,
    repeated_row.record_number,
    repeated_row.source_line_number,
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
