-- one row per export of this turn and part or colour code that neither the workspace's tables (known_code) nor an
-- export before it nor one of another vendor has, with the number of its elements
with of_turn as (
    select file_hash, vendor_code, observed_on, 'part_code' as code_kind, part_code as code, count(*) as element_count
    from turn_element
    group by all
    union all
    select file_hash, vendor_code, observed_on, 'colour_code', colour_code, count(*)
    from turn_element
    group by all
),

unlisted as (
    select of_turn.*
    from of_turn
    anti join known_code using (code_kind, code)
),

seen_part as (
    select distinct observed_row.part_code as code, observed_row.file_hash
    from observed_row
    where part_code in (
            select code from unlisted
            where code_kind = 'part_code'
        )
),

seen_colour as (
    select distinct observed_row.colour_code as code, observed_row.file_hash
    from observed_row
    where colour_code in (
            select code from unlisted
            where code_kind = 'colour_code'
        )
),

seen as (
    select 'part_code' as code_kind, code, file_hash as seen_in
    from seen_part
    union all
    select 'colour_code', code, file_hash
    from seen_colour
)

select unlisted.*
from unlisted
join turn_export using (file_hash, vendor_code, observed_on)
where
    not exists (
        select 1
        from seen
        join known_export on seen.seen_in = known_export.file_hash
        where
            seen.code_kind = unlisted.code_kind
            and seen.code = unlisted.code
            and seen.seen_in <> unlisted.file_hash
            and turn_export.received_at >= known_export.received_at
    );
