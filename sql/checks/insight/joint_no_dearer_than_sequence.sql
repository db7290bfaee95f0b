-- a joint order leaves no more pieces unfilled than any sequence; at equal fill it costs no more, rounding by order
-- apart
with sequences as (
    select
        priced_on, joint_order_code, buyer_code, sequence_number,
        sum(complete_cost) as sequence_cost,
        sum(unfilled_piece_count) as unfilled_piece_count
    from joint_sequence
    group by all
)

select
    priced_on, joint_order_code, buyer_code, sequence_number,
    joint_order.complete_cost,
    sequences.sequence_cost,
    joint_order.unfilled_piece_count,
    sequences.unfilled_piece_count as sequence_unfilled_piece_count
from sequences
join joint_order using (priced_on, joint_order_code, buyer_code)
where
    joint_order.unfilled_piece_count > sequences.unfilled_piece_count
    or (
        joint_order.unfilled_piece_count = sequences.unfilled_piece_count
        -- each order rounds four components to the digits of its currency
        and joint_order.landed_cost - sequences.sequence_cost + joint_order.unfilled_estimate
        > greatest(0.001 * sequences.sequence_cost, 0.04)
    );
