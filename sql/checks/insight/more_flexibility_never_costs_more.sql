-- a plan flexible in colour alone or in form alone never costs less than one flexible in both; the costs as listed and
-- with both are those of the published plans
with costs as (
    select
        priced_on, model_code, scenario_code, buyer_code,
        max(complete_cost) filter (where flexibility_allowed = 'none') as listed_cost,
        max(complete_cost) filter (where flexibility_allowed = 'both') as flexible_cost,
        min(complete_cost) filter (where flexibility_allowed in ('colour', 'substitutes')) as cheaper_kind_cost
    from flexibility_cost
    group by all
)

select costs.*, listed.complete_cost as listed_plan_cost, flexible.complete_cost as flexible_plan_cost
from costs
left join model_cost as listed
    on costs.priced_on = listed.priced_on
    and costs.model_code = listed.model_code
    and costs.buyer_code = listed.buyer_code
    and listed.scenario_code = 'listed'
left join model_cost as flexible
    on costs.priced_on = flexible.priced_on
    and costs.model_code = flexible.model_code
    and costs.buyer_code = flexible.buyer_code
    and costs.scenario_code = flexible.scenario_code
where
    costs.cheaper_kind_cost < costs.flexible_cost
    or costs.listed_cost <> listed.complete_cost
    or costs.flexible_cost is distinct from flexible.complete_cost;
