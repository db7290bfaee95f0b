-- one row per vendor whose history may change: the vendors of the files to fold, and of all files tied to those by
-- corrected rows
--
-- A corrected row changes the export it rejoins. A file that was read again may have lost rows of a vendor it had when
-- it was folded last.
create or replace temp table touched_vendor as
with recursive
link as (
    select file_hash, parent_file_hash as other_hash
    from corrected_record
    union
    select parent_file_hash as file_hash, file_hash as other_hash
    from corrected_record
),

family as (
    select file_hash
    from file_to_fold
    union
    select link.other_hash as file_hash
    from family
    join link using (file_hash)
)

select vendor_code
from observed_row
semi join family using (file_hash)
union
select vendor_code
from repeated_run
semi join family using (file_hash)
union
select vendor_code
from quarantined_key
semi join family using (file_hash)
union
select vendor_code
from vendor_export
semi join family using (file_hash);
