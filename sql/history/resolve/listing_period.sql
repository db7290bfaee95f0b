-- one row per price period of an offer of a touched vendor
create or replace temp table listing_period as
with price_period as (
    select
        listing_number,
        vendor_code,
        valid_from_on,
        min_by(export_hash, observed_on) as export_hash,
        max(closed_on) as closed_on
    from listing_appearance
    group by listing_number, vendor_code, valid_from_on
)

select
    *,
    coalesce(
        closed_on,
        lead(valid_from_on) over (partition by listing_number order by valid_from_on)
    ) as valid_to_on
from price_period;
