-- a swing is the difference between the cost under one assumption and the cost of the plan
select
    what_if_swing.priced_on, what_if_swing.model_code, what_if_swing.buyer_code,
    what_if_swing.assumption,
    what_if_swing.swing_side,
    what_if_swing.complete_cost,
    what_if_swing.swing_amount,
    model_cost.complete_cost as plan_cost
from what_if_swing
left join model_cost using (priced_on, model_code, scenario_code, buyer_code)
where what_if_swing.complete_cost - what_if_swing.swing_amount is distinct from model_cost.complete_cost;
