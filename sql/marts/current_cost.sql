-- one row per model, scenario and buyer: what the model costs on the latest date priced
create view current_cost as
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
    goods,
    shipping,
    handling,
    tax,
    instructions_cost,
    vendor_count,
    piece_count,
    unfilled_piece_count,
    unfilled_estimate_count,
    lower_bound,
    gap_pct,
    oldest_offer_on
from model_cost
qualify priced_on = max(priced_on) over (partition by model_code)
order by model_code, buyer_code, scenario_code;
