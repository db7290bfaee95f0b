-- a kind of freedom alone never saves more than both kinds, nor do both save more than both and some lines besides; the
-- costs as listed and with both are those of the published plans
with costs as (
    select
        priced_on, model_code, scenario_code, buyer_code,
        max(complete_cost) filter (where freedoms_allowed = 'none') as listed_cost,
        max(complete_cost) filter (where freedoms_allowed = 'both') as freed_cost,
        min(complete_cost) filter (where freedoms_allowed in ('colour', 'interchange')) as cheaper_kind_cost
    from freedom_cost
    group by all
)

select costs.*, listed.complete_cost as listed_plan_cost, freed.complete_cost as freed_plan_cost
from costs
left join model_cost as listed
    on costs.priced_on = listed.priced_on
    and costs.model_code = listed.model_code
    and costs.buyer_code = listed.buyer_code
    and listed.scenario_code = 'listed'
left join model_cost as freed
    on costs.priced_on = freed.priced_on
    and costs.model_code = freed.model_code
    and costs.buyer_code = freed.buyer_code
    and costs.scenario_code = freed.scenario_code
where
    costs.cheaper_kind_cost < costs.freed_cost
    or costs.listed_cost <> listed.complete_cost
    or costs.freed_cost is distinct from freed.complete_cost;
