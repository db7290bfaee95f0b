-- one row per unsettled vendor: its earliest winning export that closes more than half of the offers open before it and
-- is not accepted
create or replace temp table new_waiting_export as
with change as (
    select vendor_code, valid_from_on as observed_on, count(*) as opened, 0 as ended, 0 as closed
    from listing_period
    group by all
    union all
    select vendor_code, valid_to_on, 0, count(*), count(closed_on)
    from listing_period
    where valid_to_on is not null
    group by all
),

day_change as (
    select vendor_code, observed_on, sum(opened) as opened, sum(ended) as ended, sum(closed) as closed
    from change
    group by all
),

tally as (
    select
        vendor_code,
        observed_on,
        closed,
        sum(opened - ended) over (
            partition by vendor_code
            order by observed_on
            rows between unbounded preceding and 1 preceding
        ) as open_before
    from day_change
)

select export_standing.export_hash, vendor_code, observed_on
from tally
join export_standing using (vendor_code, observed_on)
anti join accepted_export on export_standing.export_hash = accepted_export.file_hash
where
    export_standing.export_standing = 'winner'
    and 2 * tally.closed > tally.open_before
qualify row_number() over (partition by vendor_code order by observed_on) = 1;
