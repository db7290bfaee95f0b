-- what the check of an export's plausibility found when it came: recorded once, never worked out from the history

-- one row per file whose exports were checked
create table checked_file (file_hash varchar primary key);

-- one row per export checked; a corrected row counts with the export it came from
create table checked_export (
    file_hash varchar not null,
    vendor_code varchar not null,
    observed_on date not null,
    received_at timestamp not null,
    is_full boolean not null,
    element_count bigint not null
);

-- one row per export and rule that it broke
create table export_finding (
    file_hash varchar not null,
    vendor_code varchar not null,
    observed_on date not null,
    finding_rule varchar not null,
    export_verdict varchar not null,
    measured_value double,
    allowed_value double,
    -- the export it was compared with
    compared_file_hash varchar not null,
    compared_observed_on date,
    -- codes that the finding names
    named_codes varchar not null
);

-- one row per export that counts for nothing until its file is accepted
create view waiting_export as
select distinct file_hash, vendor_code, observed_on
from export_finding
anti join accepted_export using (file_hash)
anti join withdrawn_file using (file_hash)
where export_verdict = 'waits';

-- exports that came before there was a check count as checked; those that wait go on waiting
insert into checked_file
select file_hash
from received_file
where table_name = 'price_export' and not is_quarantined_whole;

insert into checked_export
select
    vendor_export.file_hash,
    vendor_export.vendor_code,
    vendor_export.observed_on,
    coalesce(received_file.received_at, timestamp '1990-01-01'),
    vendor_export.coverage = 'full',
    vendor_export.row_count
from vendor_export
left join received_file using (file_hash);

insert into export_finding
select file_hash, vendor_code, observed_on, 'offers_gone', 'waits', 50, 50, '', null, ''
from vendor_export
where export_standing = 'waiting';
