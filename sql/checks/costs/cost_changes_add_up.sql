-- the parts of a change in complete cost add up to it, to the last digit
with summed as (
    select
        priced_on, compared_on, model_code, scenario_code, buyer_code,
        sum(cost_change) as parts_total
    from cost_change
    group by all
)

select
    summed.priced_on,
    summed.model_code,
    summed.scenario_code,
    summed.buyer_code,
    summed.parts_total,
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
    or summed.parts_total <> now.complete_cost - earlier.complete_cost;
