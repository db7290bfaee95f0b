-- one row per model and buyer: the scenario with the lowest complete cost on the latest date priced; plans with pieces
-- neither bought nor estimated come after those without, and refused plans do not count
create view cheapest_scenario as
with latest as (
    select *
    from model_cost
    qualify priced_on = max(priced_on) over (partition by model_code)
)

select
    model_code,
    model_title,
    buyer_code,
    scenario_code,
    priced_on,
    currency_code,
    plan_status,
    complete_cost,
    landed_cost,
    unfilled_estimate,
    vendor_count,
    unfilled_piece_count,
    unfilled_estimate_count,
    gap_pct
from latest
where plan_status <> 'refused'
qualify
    row_number() over (
        partition by model_code, buyer_code
        order by unfilled_estimate_count, complete_cost, scenario_code
    ) = 1
order by model_code, buyer_code;
