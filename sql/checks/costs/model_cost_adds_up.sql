-- goods, shipping, handling and tax add up to a plan's landed cost, and with the estimate to its complete cost
select
    priced_on, model_code, scenario_code, buyer_code,
    goods, shipping, handling, tax, landed_cost, unfilled_estimate, complete_cost
from model_cost
where
    goods + shipping + handling + tax <> landed_cost
    or landed_cost + unfilled_estimate <> complete_cost;
