-- one row per export compared with and element in it, as in turn_element.sql; its file's own rows alone
--
-- With the export before come the partial ones since then, up to the date of the export that is checked: together they
-- are what the vendor offers. Of an element in several of them the latest price counts.
create or replace temp table compared_element as
with compared as (
    select distinct
        compared_export.compared_file_hash as file_hash,
        compared_export.vendor_code,
        compared_export.compared_on as observed_on,
        compared_export.compared_as = 'previous' as is_previous,
        known_export.is_full,
        turn_export.observed_on as until_on,
        turn_export.received_at as until_at
    from compared_export
    join turn_export using (file_hash, vendor_code, observed_on)
    join known_export
        on compared_export.compared_file_hash = known_export.file_hash
        and compared_export.vendor_code = known_export.vendor_code
        and compared_export.compared_on = known_export.observed_on
),

compared_part as (
    select distinct file_hash, vendor_code, observed_on, file_hash as part_hash, observed_on as part_on
    from compared
    union
    select
        compared.file_hash,
        compared.vendor_code,
        compared.observed_on,
        known_export.file_hash as part_hash,
        known_export.observed_on as part_on
    from compared
    join known_export
        on compared.vendor_code = known_export.vendor_code
        and compared.until_at >= known_export.received_at
        and compared.until_on >= known_export.observed_on
        and (compared.observed_on <= known_export.observed_on or not compared.is_full)
    where compared.is_previous and not known_export.is_full
),

part_row as (
    select *
    from stored_observation
    where file_hash in (select part_hash from compared_part)
),

part_element as (
    select
        compared_part.file_hash,
        compared_part.vendor_code,
        compared_part.observed_on,
        compared_part.part_hash,
        compared_part.part_on,
        part_row.part_code,
        part_row.colour_code,
        part_row.condition,
        min(part_row.unit_price)::double as price,
        arg_min(part_row.currency_code, (part_row.unit_price, part_row.currency_code)) as currency_code
    from part_row
    join compared_part
        on part_row.file_hash = compared_part.part_hash
        and part_row.vendor_code = compared_part.vendor_code
        and part_row.observed_on = compared_part.part_on
    group by all
)

select * exclude (part_hash, part_on)
from part_element
qualify row_number() over (
        partition by file_hash, vendor_code, observed_on, part_code, colour_code, condition
        order by part_on desc, part_hash = file_hash asc, part_hash desc
    ) = 1;
