-- the purchases of an order add up to its number of pieces and of elements, and each is worth its price times its
-- pieces
with bought as (
    select
        priced_on, model_code, scenario_code, buyer_code, vendor_code, order_number,
        sum(bought_piece_count) as bought_piece_count,
        count(distinct row(part_code, colour_code)) as element_count,
        bool_and(purchase_value = unit_price * bought_piece_count) as has_right_values
    from plan_purchase
    group by all
)

select
    priced_on, model_code, scenario_code, buyer_code, vendor_code, order_number,
    plan_vendor.bought_piece_count as ordered_piece_count,
    bought.bought_piece_count,
    plan_vendor.element_count as ordered_element_count,
    bought.element_count,
    bought.has_right_values
from plan_vendor
full join bought using (priced_on, model_code, scenario_code, buyer_code, vendor_code, order_number)
where
    plan_vendor.bought_piece_count is distinct from bought.bought_piece_count
    or plan_vendor.element_count is distinct from bought.element_count
    or not bought.has_right_values;
