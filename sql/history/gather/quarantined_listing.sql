-- one row per export, date and offer that the export lists in a row that is still quarantined
create or replace temp table quarantined_listing as
select distinct
    listing.listing_number,
    listing.vendor_code,
    coalesce(corrected_root.root_hash, quarantined_key.file_hash) as export_hash,
    quarantined_key.observed_on
from quarantined_key
join listing using (vendor_code, part_code, colour_code, condition, listing_code)
left join corrected_root using (file_hash, record_number)
anti join replaced_record using (file_hash, record_number)
anti join withdrawn_file using (file_hash)
anti join withdrawn_file as withdrawn_root
    on withdrawn_root.file_hash = coalesce(corrected_root.root_hash, quarantined_key.file_hash);
