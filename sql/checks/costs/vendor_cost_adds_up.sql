-- goods, shipping, handling and tax add up to the landed cost of every order, and what its vendor charges to the
-- vendor's total
with amounts as (
    select
        priced_on, model_code || ', ' || scenario_code as ordered_for, buyer_code, vendor_code, order_number,
        goods, shipping, handling, tax, landed_cost, border_charges,
        vendor_goods_value, vendor_discount, vendor_shipping, vendor_handling, vendor_tax, vendor_total
    from plan_vendor
    union all
    select
        priced_on, joint_order_code as ordered_for, buyer_code, vendor_code, order_number,
        goods, shipping, handling, tax, landed_cost, border_charges,
        vendor_goods_value, vendor_discount, vendor_shipping, vendor_handling, vendor_tax, vendor_total
    from joint_vendor
)

select *
from amounts
where
    goods + shipping + handling + tax <> landed_cost
    or border_charges > tax
    or vendor_goods_value - vendor_discount + vendor_shipping + vendor_handling + vendor_tax <> vendor_total;
