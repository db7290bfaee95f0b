-- no day belongs to two price periods of one offer's price step
with neighbour as (
    select
        vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity,
        valid_from_on,
        valid_to_on,
        lead(valid_from_on) over (
            partition by vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity
            order by valid_from_on
        ) as next_from_on
    from price_history
)

select *
from neighbour
where next_from_on is not null and (valid_to_on is null or valid_to_on > next_from_on);
