-- one row per full export of this turn with full ones before it: the median number of elements of the last five of them
with ranked as (
    select
        turn_export.file_hash,
        turn_export.vendor_code,
        turn_export.observed_on,
        known_export.element_count,
        row_number() over (
            partition by turn_export.file_hash, turn_export.vendor_code, turn_export.observed_on
            order by known_export.observed_on desc, known_export.received_at desc, known_export.file_hash desc
        ) as place
    from turn_export
    join known_export
        on turn_export.vendor_code = known_export.vendor_code
        and turn_export.received_at >= known_export.received_at
        and turn_export.observed_on >= known_export.observed_on
    where turn_export.is_full and known_export.is_full
)

select file_hash, vendor_code, observed_on, median(element_count) as usual_count
from ranked
where place <= 5
group by all;
