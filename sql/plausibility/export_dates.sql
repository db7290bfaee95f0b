-- one row per export of this turn: how its date lies to its vendor's exports, and to those of the other vendors
--
-- Only exports that came before it or with it count. $1: days ahead of the others' last exports that are too many; $2:
-- days before their first ones.
with span as (
    select vendor_code, received_at, observed_on
    from known_export
    union all
    select vendor_code, received_at, observed_on
    from new_export
),

other_vendor as (
    select
        turn_export.file_hash,
        turn_export.vendor_code,
        turn_export.observed_on,
        span.vendor_code as other_code,
        max(span.observed_on) + $1::integer >= turn_export.observed_on as is_near_last,
        min(span.observed_on) - $2::integer <= turn_export.observed_on as is_near_first
    from turn_export
    join span
        on turn_export.vendor_code <> span.vendor_code
        and turn_export.received_at >= span.received_at
    group by turn_export.file_hash, turn_export.vendor_code, turn_export.observed_on, span.vendor_code
),

others as (
    select
        file_hash,
        vendor_code,
        observed_on,
        count(*) as other_count,
        count(*) filter (is_near_last) as near_last_count,
        count(*) filter (is_near_first) as near_first_count
    from other_vendor
    group by all
),

own as (
    select
        turn_export.file_hash,
        turn_export.vendor_code,
        turn_export.observed_on,
        min(known_export.observed_on) as first_on,
        max(known_export.observed_on) as last_on,
        max(case when turn_export.received_at > known_export.received_at then known_export.observed_on end)
            as last_before_on
    from turn_export
    join known_export
        on turn_export.vendor_code = known_export.vendor_code
        and turn_export.received_at >= known_export.received_at
    group by all
)

select
    turn_export.file_hash,
    turn_export.vendor_code,
    turn_export.observed_on,
    own.first_on,
    own.last_on,
    own.last_before_on,
    coalesce(others.other_count, 0) as other_count,
    coalesce(others.near_last_count, 0) as near_last_count,
    coalesce(others.near_first_count, 0) as near_first_count
from turn_export
left join own using (file_hash, vendor_code, observed_on)
left join others using (file_hash, vendor_code, observed_on);
