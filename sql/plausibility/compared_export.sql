-- one row per export of this turn and export of its vendor it is compared with: the one before it (previous), and of
-- those dated after it the last one (newest)
--
-- A full export is compared with full ones where there are any. Without an earlier export the next one is compared.
create or replace temp table compared_export as
with candidate as (
    select
        turn_export.file_hash,
        turn_export.vendor_code,
        turn_export.observed_on,
        known_export.file_hash as compared_file_hash,
        known_export.observed_on as compared_on,
        known_export.observed_on <= turn_export.observed_on as is_earlier,
        known_export.is_full as compared_is_full,
        known_export.received_at as compared_received_at
    from turn_export
    join known_export
        on turn_export.vendor_code = known_export.vendor_code
        and turn_export.received_at >= known_export.received_at
),

previous as (
    select *
    from candidate
    qualify row_number() over (
            partition by file_hash, vendor_code, observed_on
            order by
                compared_is_full desc,
                is_earlier desc,
                case when is_earlier then observed_on - compared_on else compared_on - observed_on end,
                compared_received_at desc,
                compared_file_hash desc
        ) = 1
),

newest as (
    select *
    from candidate
    where not is_earlier
    qualify row_number() over (
            partition by file_hash, vendor_code, observed_on
            order by compared_is_full desc, compared_on desc, compared_received_at desc, compared_file_hash desc
        ) = 1
)

select file_hash, vendor_code, observed_on, compared_file_hash, compared_on, 'previous' as compared_as
from previous
union all
select file_hash, vendor_code, observed_on, compared_file_hash, compared_on, 'newest'
from newest;
