-- one row per run of confirmations of a touched vendor's price period, the latest run left out
insert into earlier_confirmation
select
    listing.vendor_code,
    offer_id(
        listing.vendor_code,
        listing.part_code,
        listing.colour_code,
        listing.condition,
        listing.listing_code,
        listing_run.valid_from_on
    ) as offer_id,
    listing_run.confirmed_from_on,
    listing_run.confirmed_to_on
from listing_run
join listing using (listing_number)
where not listing_run.is_latest
order by all;
