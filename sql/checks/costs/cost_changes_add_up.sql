-- the parts of a change in complete cost add up to it, and their ranges to its range, to the last digit
with summed as (
    select
        priced_on, compared_on, model_code, scenario_code, buyer_code,
        sum(cost_change) as parts_total,
        sum(cost_change_low) as lows_total,
        sum(cost_change_high) as highs_total
    from cost_change
    group by all
)

select
    summed.priced_on,
    summed.model_code,
    summed.scenario_code,
    summed.buyer_code,
    summed.parts_total,
    summed.lows_total,
    summed.highs_total,
    now.complete_cost as complete_cost_now,
    earlier.complete_cost as complete_cost_before
from summed
left join model_cost as now using (priced_on, model_code, scenario_code, buyer_code)
left join model_cost as earlier
    on
    summed.compared_on = earlier.priced_on
    and summed.model_code = earlier.model_code
    and summed.scenario_code = earlier.scenario_code
    and summed.buyer_code = earlier.buyer_code
where
    now.complete_cost is null
    or earlier.complete_cost is null
    or summed.parts_total <> now.complete_cost - earlier.complete_cost
    or summed.lows_total
    <> least(now.lower_bound, now.landed_cost) + now.unfilled_estimate - earlier.landed_cost - earlier.unfilled_estimate
    or summed.highs_total
    <> now.landed_cost + now.unfilled_estimate - least(earlier.lower_bound, earlier.landed_cost)
    - earlier.unfilled_estimate;
