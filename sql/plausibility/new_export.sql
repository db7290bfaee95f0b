-- one row per export of files not checked yet, with its turn: a vendor's exports are checked in the order in which they
-- came, and of those that came together the earlier date first; one that was checked before is not checked again
create or replace temp table new_export as
with gathered as (
    select
        file_hash,
        vendor_code,
        observed_on,
        min(received_at) as received_at,
        bool_and(is_full) as is_full,
        max(revision_number) as revision_number
    from new_part
    anti join checked_export using (file_hash, vendor_code, observed_on)
    group by all
)

select
    *,
    row_number() over (
        partition by vendor_code
        order by received_at asc, observed_on asc, is_full desc, revision_number asc, file_hash asc
    ) as turn
from gathered;
