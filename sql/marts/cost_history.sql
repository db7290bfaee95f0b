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
        least(lower_bound, landed_cost) + unfilled_estimate as complete_cost_least,
        landed_cost,
        unfilled_piece_count,
        lag(complete_cost) over earlier as complete_cost_before,
        lag(least(lower_bound, landed_cost) + unfilled_estimate) over earlier as complete_cost_least_before
    from model_cost
    window
        earlier as (
            partition by model_code, buyer_code, scenario_code
            order by priced_on
        )
)

select
    *,
    complete_cost - complete_cost_before as complete_cost_change,
    complete_cost_least - complete_cost_before as complete_cost_change_low,
    complete_cost - complete_cost_least_before as complete_cost_change_high
from dated
order by model_code, buyer_code, scenario_code, priced_on;

comment on column cost_history.complete_cost_least is
'the least that the complete cost may be with the best possible plan; in currency of the buyer';

comment on column cost_history.complete_cost_before is
'complete cost on the date priced before; empty on the first; in currency of the buyer';

comment on column cost_history.complete_cost_least_before is
'complete_cost_least on the date priced before; in currency of the buyer';

comment on column cost_history.complete_cost_change is
'complete cost minus that on the date priced before; in currency of the buyer';

comment on column cost_history.complete_cost_change_low is
'least change with the best possible plans: a rise only where this is above 0; in currency of the buyer';

comment on column cost_history.complete_cost_change_high is
'most change with the best possible plans: a fall only where this is below 0; in currency of the buyer';
