-- known errors of sources as the user declares them, what they changed, and the row of a file behind each price

create table source_correction (
    vendor_code varchar not null,
    part_code varchar not null,
    colour_code varchar not null,
    observed_from_on date not null,
    observed_to_on date,
    correction_action varchar not null,
    correction_factor decimal(18, 6),
    corrected_currency_code varchar,
    guard_price_from decimal(18, 6),
    guard_price_to decimal(18, 6),
    guard_currency_code varchar,
    decided_on date not null,
    reason varchar not null
);

-- one row per row of a price file that a correction changed or dropped; made by the fold
create table corrected_row (
    file_hash varchar not null,
    record_number bigint not null,
    source_line_number bigint not null,
    vendor_code varchar not null,
    part_code varchar not null,
    colour_code varchar not null,
    condition varchar not null,
    listing_code varchar not null,
    observed_on date not null,
    correction_action varchar not null,
    unit_price decimal(18, 6) not null,
    currency_code varchar not null,
    corrected_unit_price decimal(18, 6),
    corrected_currency_code varchar,
    reason varchar not null
);

-- the row that opened the price period; filled for all vendors by the next fold
alter table price_history add column file_hash varchar;
alter table price_history add column source_line_number bigint;
alter table price_history add column record_number bigint;
insert into file_to_fold
select file_hash
from received_file
where table_name = 'price_export' and not is_quarantined_whole;
