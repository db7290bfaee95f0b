-- the costs of a plan's lines add up to its goods and to its complete cost
with carried as (
    select
        priced_on, model_code, scenario_code, buyer_code,
        sum(line_goods) as goods,
        sum(line_cost) as complete_cost
    from line_cost
    group by all
)

select
    priced_on, model_code, scenario_code, buyer_code,
    carried.goods as lines_goods,
    model_cost.goods,
    carried.complete_cost as lines_complete_cost,
    model_cost.complete_cost
from carried
left join model_cost using (priced_on, model_code, scenario_code, buyer_code)
where
    carried.goods is distinct from model_cost.goods
    or carried.complete_cost is distinct from model_cost.complete_cost;
