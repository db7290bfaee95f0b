-- what the fold makes of the received files; all of it can be made again from them

-- one row per price period of an offer's price step
create table price_history (
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
    last_confirmed_on date not null
);

-- one row per run of confirmations of a price period: it was confirmed on both dates, and between them on every date
-- on which its vendor has a winning full export
create table offer_confirmation (
    vendor_code varchar not null,
    offer_id varchar not null,
    confirmed_from_on date not null,
    confirmed_to_on date not null
);

-- one row per file, vendor and date; a corrected row counts with the export it came from
create table vendor_export (
    file_hash varchar not null,
    vendor_code varchar not null,
    observed_on date not null,
    coverage varchar not null,
    revision_number bigint not null,
    export_standing varchar not null,
    row_count bigint not null
);

-- one row per row that lost to a corrected copy of its own record or offer
create table superseded_row (
    file_hash varchar not null,
    record_number bigint not null
);

-- one row per correcting record and record it corrects, directly (distance 1) or through other corrected records
create view corrected_ancestor as
with recursive ancestor as (
    select
        file_hash,
        record_number,
        parent_file_hash as ancestor_hash,
        parent_record_number as ancestor_record,
        1 as distance
    from corrected_record
    union
    select
        ancestor.file_hash,
        ancestor.record_number,
        corrected_record.parent_file_hash,
        corrected_record.parent_record_number,
        ancestor.distance + 1
    from ancestor
    join corrected_record
        on ancestor.ancestor_hash = corrected_record.file_hash
        and ancestor.ancestor_record = corrected_record.record_number
    -- a file can't contain its own hash, so real chains end; this ends invented ones
    where ancestor.distance < 50
)

select file_hash, record_number, ancestor_hash, ancestor_record, distance
from ancestor;

-- one row per record that corrects others: the record its chain starts from
create view corrected_root as
select
    file_hash,
    record_number,
    max_by(ancestor_hash, distance) as root_hash,
    max_by(ancestor_record, distance) as root_record,
    max(distance) as distance
from corrected_ancestor
group by all;

-- one row per record that a corrected copy replaces; the copy was accepted and is not withdrawn
--
-- A copy that failed again is replaced too, by an accepted copy of the same record that it does not itself correct.
create view replaced_record as
with accepted_copy as (
    select corrected_ancestor.*
    from corrected_ancestor
    semi join price_observation using (file_hash, record_number)
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
