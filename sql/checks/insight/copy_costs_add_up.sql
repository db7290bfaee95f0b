-- the cost of copies is landed cost plus estimate; for the model's own number of copies it is the plan's cost
select
    copy_cost.priced_on, copy_cost.model_code, copy_cost.buyer_code, copy_cost.copies,
    copy_cost.complete_cost,
    copy_cost.landed_cost + copy_cost.unfilled_estimate as added_cost,
    model_cost.complete_cost as plan_cost
from copy_cost
left join model_cost
    on
    copy_cost.priced_on = model_cost.priced_on
    and copy_cost.model_code = model_cost.model_code
    and copy_cost.scenario_code = model_cost.scenario_code
    and copy_cost.buyer_code = model_cost.buyer_code
    and copy_cost.copies = model_cost.copy_count
where
    copy_cost.complete_cost <> copy_cost.landed_cost + copy_cost.unfilled_estimate
    or copy_cost.complete_cost <> model_cost.complete_cost;
