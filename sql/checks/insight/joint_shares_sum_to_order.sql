-- fair shares add up to the cost of a joint order, separate costs add up to the cost it is compared with, and every
-- piece has a model
with shared as (
    select
        priced_on, joint_order_code, buyer_code,
        sum(joint_share) as joint_share,
        sum(separate_cost) as separate_cost,
        sum(joint_saving) as joint_saving,
        sum(used_piece_count) as used_piece_count,
        sum(on_hand_piece_count) as on_hand_piece_count,
        sum(unfilled_piece_count) as unfilled_piece_count,
        count(*) as model_count
    from joint_share
    group by all
)

select
    priced_on, joint_order_code, buyer_code,
    joint_order.complete_cost,
    shared.joint_share,
    joint_order.separate_cost,
    shared.separate_cost as models_separate_cost
from joint_order
full join shared using (priced_on, joint_order_code, buyer_code)
where
    joint_order.joint_order_title is null
    or shared.model_count is null
    or joint_order.complete_cost <> shared.joint_share
    or joint_order.separate_cost <> shared.separate_cost
    or joint_order.joint_saving <> shared.joint_saving
    or joint_order.bought_piece_count - joint_order.spare_piece_count <> shared.used_piece_count
    or joint_order.on_hand_piece_count <> shared.on_hand_piece_count
    or joint_order.unfilled_piece_count <> shared.unfilled_piece_count;
