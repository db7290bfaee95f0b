-- a plan is partial exactly when something is unfilled, and a refused plan buys nothing
select
    priced_on, model_code, scenario_code, buyer_code, plan_status, unfilled_piece_count, landed_cost, vendor_count
from model_cost
where
    (plan_status in ('proven', 'bounded') and unfilled_piece_count > 0)
    or (plan_status = 'partial' and unfilled_piece_count = 0)
    or (plan_status = 'refused' and (landed_cost <> 0 or vendor_count <> 0));
