-- one row per export of this turn and part that the export before it lists and it does not
with listed as (
    select distinct file_hash, vendor_code, observed_on, part_code
    from turn_element
),

listed_before as (
    select distinct
        compared_export.file_hash,
        compared_export.vendor_code,
        compared_export.observed_on,
        compared_element.part_code
    from compared_export
    join compared_element
        on compared_export.compared_file_hash = compared_element.file_hash
        and compared_export.vendor_code = compared_element.vendor_code
        and compared_export.compared_on = compared_element.observed_on
    where compared_export.compared_as = 'previous'
)

select listed_before.*
from listed_before
anti join listed using (file_hash, vendor_code, observed_on, part_code);
