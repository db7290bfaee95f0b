-- a plan buys from an offer at the price of the step it reaches, in its multiples, within its stock and its limit
with offered as (
    select
        plan_purchase.*,
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
    priced_on, model_code, scenario_code, buyer_code, offer_id, step_from_quantity, step_reached,
    unit_price, offered_price, bought_piece_count, quantity_available, sold_in_multiples_of, maximum_per_order
from offered
where
    offered_price is distinct from unit_price
    or step_reached is distinct from step_from_quantity
    or bought_piece_count > quantity_available
    or bought_piece_count % sold_in_multiples_of <> 0
    or bought_piece_count > maximum_per_order;
