-- a whole cost is its plan's cost plus the instructions, and their last step is what is paid for them
with last_steps as (
    select
        priced_on, model_code, buyer_code,
        max_by(instructions_price, step_number) as price_paid,
        min_by(instructions_price, step_number) as list_price
    from instructions_step
    group by all
)

select
    priced_on, model_code, scenario_code, buyer_code,
    whole_cost.whole_cost,
    whole_cost.complete_cost,
    whole_cost.instructions_cost,
    model_cost.complete_cost as plan_complete_cost,
    last_steps.price_paid
from whole_cost
left join model_cost using (priced_on, model_code, scenario_code, buyer_code)
left join last_steps using (priced_on, model_code, buyer_code)
where
    model_cost.complete_cost is distinct from whole_cost.complete_cost
    or model_cost.goods <> whole_cost.goods
    or model_cost.shipping <> whole_cost.shipping
    or model_cost.handling <> whole_cost.handling
    or model_cost.tax <> whole_cost.tax
    or model_cost.instructions_cost is distinct from whole_cost.instructions_cost
    or whole_cost.whole_cost <> whole_cost.complete_cost + coalesce(whole_cost.instructions_cost, 0)
    or whole_cost.instructions_cost is distinct from last_steps.price_paid
    or whole_cost.instructions_list_price is distinct from last_steps.list_price
    or whole_cost.instructions_list_price - whole_cost.instructions_discount
    is distinct from whole_cost.instructions_cost
    or whole_cost.amendment_goods > whole_cost.goods;
