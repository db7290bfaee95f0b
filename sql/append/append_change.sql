-- one row per open offer whose price steps are not all listed as they stand; closes: a full export leaves the offer
-- out, which ends its price period
create or replace temp table append_change as
with open_offer as (
    select vendor_code, part_code, colour_code, condition, listing_code, offer_id, bool_or(is_repeated) as is_repeated
    from append_step
    group by all
),

new_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code
    from append_new
    semi join open_offer using (vendor_code, part_code, colour_code, condition, listing_code)
),

quarantined_offer as (
    select distinct vendor_code, part_code, colour_code, condition, listing_code
    from quarantined_key
    semi join append_batch using (vendor_code, file_hash, observed_on)
)

select
    vendor_code,
    open_offer.offer_id,
    open_offer.is_repeated or new_offer.vendor_code is not null as is_listed,
    not is_listed
    and quarantined_offer.vendor_code is null
    and append_batch.is_full
    and append_batch.may_close as closes
from open_offer
join append_batch using (vendor_code)
left join new_offer using (vendor_code, part_code, colour_code, condition, listing_code)
left join quarantined_offer using (vendor_code, part_code, colour_code, condition, listing_code);
