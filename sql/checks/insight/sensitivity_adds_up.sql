-- a sensitivity lies in its range, and is the difference from a plan no dearer than the published one
select
    sensitivity.priced_on, sensitivity.model_code, sensitivity.buyer_code,
    sensitivity.assumption,
    sensitivity.sensitivity_side,
    sensitivity.complete_cost,
    sensitivity.sensitivity_low,
    sensitivity.sensitivity_amount,
    sensitivity.sensitivity_high,
    model_cost.complete_cost as plan_cost
from sensitivity
left join model_cost using (priced_on, model_code, scenario_code, buyer_code)
where
    model_cost.complete_cost is null
    or coalesce(sensitivity_amount not between sensitivity_low and sensitivity_high, sensitivity_amount is not null)
    -- plans are ranked by the exact cost; rounding by vendor may move the published one by cents, less than a hundredth
    or (
        sensitivity.unfilled_piece_count = model_cost.unfilled_piece_count
        and sensitivity.complete_cost - sensitivity.sensitivity_amount > 1.01 * model_cost.complete_cost
    );
