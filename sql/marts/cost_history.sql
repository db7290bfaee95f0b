-- one row per model, scenario, buyer and date priced: its cost, and the change since the date priced before
create view cost_history as
with dated as (
    select
        model_code,
        buyer_code,
        scenario_code,
        priced_on,
        currency_code,
        plan_status,
        complete_cost,
        landed_cost,
        unfilled_piece_count,
        lag(complete_cost) over (
            partition by model_code, buyer_code, scenario_code
            order by priced_on
        ) as complete_cost_before
    from model_cost
)

select
    *,
    complete_cost - complete_cost_before as complete_cost_change
from dated
order by model_code, buyer_code, scenario_code, priced_on;

comment on column cost_history.complete_cost_before is
'complete cost on the date priced before; empty on the first; in currency of the buyer';

comment on column cost_history.complete_cost_change is
'complete cost minus that on the date priced before; in currency of the buyer';
