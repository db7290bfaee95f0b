-- one row per export, date and offer that the export lists in a row that is still held
create or replace temp table held_listing as
select distinct
    listing.listing_number,
    listing.vendor_code,
    coalesce(mended_root.root_hash, held_key.file_hash) as export_hash,
    held_key.observed_on
from held_key
join listing using (vendor_code, part_code, colour_code, condition, listing_code)
left join mended_root using (file_hash, record_number)
anti join mended_away using (file_hash, record_number)
anti join withdrawn_file using (file_hash)
anti join withdrawn_file as withdrawn_root
    on withdrawn_root.file_hash = coalesce(mended_root.root_hash, held_key.file_hash);
