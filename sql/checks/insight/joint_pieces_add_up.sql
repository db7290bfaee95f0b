-- the pieces of a joint plan are those of its orders with vendors; pieces without a model are the spares
with planned as (
    select
        priced_on, joint_order_code, buyer_code, vendor_code, order_number,
        sum(quantity) as planned_piece_count
    from joint_plan
    group by all
),

orders_that_differ as (
    select
        priced_on, joint_order_code, buyer_code, vendor_code, order_number,
        joint_vendor.bought_piece_count as stated_piece_count,
        planned.planned_piece_count
    from joint_vendor
    full join planned using (priced_on, joint_order_code, buyer_code, vendor_code, order_number)
    where joint_vendor.bought_piece_count is distinct from planned.planned_piece_count
),

spares as (
    select priced_on, joint_order_code, buyer_code, sum(quantity) as spare_piece_count
    from joint_plan
    where model_code = ''
    group by all
),

spares_that_differ as (
    select
        priced_on, joint_order_code, buyer_code, '' as vendor_code, 0 as order_number,
        joint_order.spare_piece_count as stated_piece_count,
        coalesce(spares.spare_piece_count, 0) as planned_piece_count
    from joint_order
    left join spares using (priced_on, joint_order_code, buyer_code)
    where joint_order.spare_piece_count <> coalesce(spares.spare_piece_count, 0)
)

select * from orders_that_differ
union all
select * from spares_that_differ;
