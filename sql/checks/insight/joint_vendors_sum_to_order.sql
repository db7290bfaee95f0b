-- the orders with vendors add up to the joint order, component by component, and to its number of orders
with ordered as (
    select
        priced_on, joint_order_code, buyer_code,
        sum(goods) as goods,
        sum(shipping) as shipping,
        sum(handling) as handling,
        sum(tax) as tax,
        sum(landed_cost) as landed_cost,
        sum(bought_piece_count) as bought_piece_count,
        count(*) as order_count,
        count(distinct vendor_code) as vendor_count
    from joint_vendor
    group by all
)

select
    priced_on, joint_order_code, buyer_code,
    joint_order.landed_cost,
    ordered.landed_cost as vendors_landed_cost,
    joint_order.order_count,
    ordered.order_count as vendors_order_count
from joint_order
full join ordered using (priced_on, joint_order_code, buyer_code)
where
    joint_order.joint_order_title is null
    or joint_order.goods <> coalesce(ordered.goods, 0)
    or joint_order.shipping <> coalesce(ordered.shipping, 0)
    or joint_order.handling <> coalesce(ordered.handling, 0)
    or joint_order.tax <> coalesce(ordered.tax, 0)
    or joint_order.landed_cost <> coalesce(ordered.landed_cost, 0)
    or joint_order.landed_cost <> joint_order.goods + joint_order.shipping + joint_order.handling + joint_order.tax
    or joint_order.complete_cost <> joint_order.landed_cost + joint_order.unfilled_estimate
    or joint_order.bought_piece_count <> coalesce(ordered.bought_piece_count, 0)
    or joint_order.order_count <> coalesce(ordered.order_count, 0)
    or joint_order.vendor_count <> coalesce(ordered.vendor_count, 0);
