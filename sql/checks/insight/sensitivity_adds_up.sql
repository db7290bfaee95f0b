-- a sensitivity is the difference between the cost under one assumption and the cost of the plan
select
    sensitivity.priced_on, sensitivity.model_code, sensitivity.buyer_code,
    sensitivity.assumption,
    sensitivity.sensitivity_side,
    sensitivity.complete_cost,
    sensitivity.sensitivity_amount,
    model_cost.complete_cost as plan_cost
from sensitivity
left join model_cost using (priced_on, model_code, scenario_code, buyer_code)
where sensitivity.complete_cost - sensitivity.sensitivity_amount is distinct from model_cost.complete_cost;
