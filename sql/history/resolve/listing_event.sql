-- one row per offer of a touched vendor and date on which an export that counts lists it
--
-- Readable (is_seen): with the content of the highest partial export, else of the winner. Otherwise only a quarantined
-- row lists it.
create or replace temp table listing_event as
with seen_in as (
    select
        export_listing.*,
        row_number() over (
            partition by export_listing.listing_number, export_listing.observed_on
            order by
                export_standing.is_full asc,
                export_standing.revision_number desc,
                export_standing.export_hash desc
        ) as place
    from export_listing
    join export_standing using (export_hash, vendor_code, observed_on)
    where export_standing.export_standing in ('winner', 'overlay')
),

seen as (
    select listing_number, vendor_code, observed_on, export_hash, content_digest
    from seen_in
    where place = 1
),

quarantined as (
    select distinct quarantined_listing.listing_number, quarantined_listing.vendor_code, quarantined_listing.observed_on
    from quarantined_listing
    left join export_standing using (export_hash, vendor_code, observed_on)
    anti join seen
        on quarantined_listing.listing_number = seen.listing_number
        and quarantined_listing.observed_on = seen.observed_on
    where coalesce(export_standing.export_standing, 'overlay') in ('winner', 'overlay')
)

select listing_number, vendor_code, observed_on, export_hash, content_digest, true as is_seen
from seen
union all
select listing_number, vendor_code, observed_on, null as export_hash, null as content_digest, false as is_seen
from quarantined;
