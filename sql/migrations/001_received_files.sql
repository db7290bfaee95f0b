-- what was received, as received: one row per file, per row of a file, per failure, per decision

create table received_file (
    file_hash varchar primary key,
    file_name varchar not null,
    table_name varchar not null,
    profile_name varchar not null,
    received_at timestamp not null,
    is_quarantined_whole boolean not null,
    read_row_count bigint not null,
    duplicate_row_count bigint not null,
    -- quarantined rows whose offer can't be read or can't be trusted
    unreadable_key_count bigint not null,
    -- how often the same bytes were dropped again; no reader of the history sees it
    repeat_drop_count bigint not null default 0
);

create table price_observation (
    file_hash varchar not null,
    record_number bigint not null,
    source_line_number bigint not null,
    vendor_code varchar not null,
    part_code varchar not null,
    colour_code varchar not null,
    condition varchar not null,
    unit_price decimal(18, 6) not null,
    currency_code varchar not null,
    quantity_available bigint not null,
    observed_on date not null,
    listing_code varchar not null,
    sold_in_multiples_of bigint not null,
    step_from_quantity bigint not null,
    assortment_code varchar not null,
    maximum_per_order bigint,
    form_certainty varchar not null,
    coverage varchar not null,
    revision_number bigint not null
);

create table summary_observation (
    file_hash varchar not null,
    record_number bigint not null,
    source_line_number bigint not null,
    source_code varchar not null,
    part_code varchar not null,
    colour_code varchar not null,
    condition varchar not null,
    observed_on date not null,
    currency_code varchar not null,
    lowest_price decimal(18, 6),
    average_price decimal(18, 6) not null,
    quantity_available bigint,
    offer_vendor_count bigint
);

-- one row per quarantined record and failed rule; record 0 stands for a whole file that could not be used
create table quarantined_failure (
    file_hash varchar not null,
    record_number bigint not null,
    source_line_number bigint not null,
    quarantined_column varchar not null,
    quarantined_value varchar not null,
    quarantined_rule varchar not null,
    what_to_do varchar not null
);

-- one row per quarantined record whose offer can still be read
create table quarantined_key (
    file_hash varchar not null,
    record_number bigint not null,
    vendor_code varchar not null,
    part_code varchar not null,
    colour_code varchar not null,
    condition varchar not null,
    listing_code varchar not null,
    observed_on date not null
);

-- one row per record that corrects a record of another file
create table corrected_record (
    file_hash varchar not null,
    record_number bigint not null,
    parent_file_hash varchar not null,
    parent_record_number bigint not null
);

create table accepted_export (file_hash varchar primary key);

create table withdrawn_file (file_hash varchar primary key);

-- files that arrived, or about which the user decided otherwise, since the last fold
create table file_to_fold (file_hash varchar not null);
