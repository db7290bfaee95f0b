-- the unfilled lines of a plan add up to its estimate, and to its number of pieces without an estimate
with unfilled as (
    select
        priced_on, model_code, scenario_code, buyer_code,
        sum(unfilled_estimate) as unfilled_estimate,
        sum(unfilled_piece_count) filter (estimated_unit_price is null) as unfilled_estimate_count
    from unfilled_line
    group by all
)

select
    priced_on, model_code, scenario_code, buyer_code,
    model_cost.unfilled_estimate,
    unfilled.unfilled_estimate as lines_estimate,
    model_cost.unfilled_estimate_count,
    unfilled.unfilled_estimate_count as lines_estimate_count
from model_cost
full join unfilled using (priced_on, model_code, scenario_code, buyer_code)
where
    model_cost.unfilled_estimate is distinct from coalesce(unfilled.unfilled_estimate, 0)
    or model_cost.unfilled_estimate_count <> coalesce(unfilled.unfilled_estimate_count, 0);
