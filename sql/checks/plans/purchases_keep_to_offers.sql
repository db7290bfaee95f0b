-- an order pays the price of the step that its quantity reaches, and keeps the offer's multiples and limit; all orders
-- of a plan together keep within its stock
with offered as (
    select
        plan_purchase.*,
        sum(bought_piece_count) over (
            partition by priced_on, model_code, scenario_code, buyer_code, offer_id
        ) as plan_piece_count,
        price_history.unit_price as offered_price,
        price_history.quantity_available,
        price_history.sold_in_multiples_of,
        price_history.maximum_per_order,
        (
            select max(step.step_from_quantity)
            from price_history as step
            where
                step.offer_id = plan_purchase.offer_id
                and step.step_from_quantity <= plan_purchase.bought_piece_count
        ) as step_reached
    from plan_purchase
    left join price_history using (offer_id, step_from_quantity)
)

select
    priced_on, model_code, scenario_code, buyer_code, offer_id, order_number, step_from_quantity, step_reached,
    unit_price, offered_price, bought_piece_count, plan_piece_count, quantity_available, sold_in_multiples_of,
    maximum_per_order
from offered
where
    offered_price is distinct from unit_price
    or step_reached is distinct from step_from_quantity
    or plan_piece_count > quantity_available
    or bought_piece_count % sold_in_multiples_of <> 0
    or bought_piece_count > maximum_per_order;
