-- one row per vendor of the batch whose export would close more than half of its open offers and was not accepted: the
-- whole fold decides about those
create or replace temp table append_waiting as
with open_count as (
    select vendor_code, count(distinct offer_id) as offer_count
    from spell
    where valid_to_on is null and vendor_code in (select vendor_code from append_change where closes)
    group by vendor_code
),

closing as (
    select vendor_code, count(*) as offer_count
    from append_change
    where closes
    group by vendor_code
)

select vendor_code
from closing
join open_count using (vendor_code)
join append_batch using (vendor_code)
where
    2 * closing.offer_count > open_count.offer_count
    and append_batch.file_hash not in (select file_hash from accepted_export);

delete from append_batch where vendor_code in (select vendor_code from append_waiting);
delete from append_change where vendor_code in (select vendor_code from append_waiting);
