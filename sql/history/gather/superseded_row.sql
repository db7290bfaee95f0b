-- one row per row replaced by a corrected copy
--
-- Of one record, or of one offer and price step, the copy corrected last counts. Of copies corrected equally often, the
-- one in the file with the highest hash counts.
insert into superseded_row
with corrected_export as (
    select distinct root_hash
    from corrected_root
),

candidate as (
    select
        price_observation.*,
        coalesce(corrected_root.root_hash, price_observation.file_hash) as export_hash,
        coalesce(corrected_root.root_record, price_observation.record_number) as root_record,
        coalesce(corrected_root.distance, 0) as distance
    from price_observation
    left join corrected_root using (file_hash, record_number)
    anti join withdrawn_file using (file_hash)
    where
        price_observation.file_hash in (select root_hash from corrected_export)
        or corrected_root.root_hash is not null
),

by_record as (
    select
        *,
        row_number() over (
            partition by export_hash, root_record
            order by distance desc, file_hash desc, record_number desc
        ) as record_place
    from candidate
),

by_offer as (
    select
        *,
        row_number() over (
            partition by
                record_place = 1, export_hash, vendor_code, observed_on,
                part_code, colour_code, condition, listing_code, step_from_quantity
            order by distance desc, file_hash desc, record_number desc
        ) as offer_place
    from by_record
)

select file_hash, record_number
from by_offer
where record_place > 1 or offer_place > 1;
