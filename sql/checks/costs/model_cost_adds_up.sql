-- goods, shipping, handling and tax make up the landed cost of a plan, and with the estimate its complete cost
select
    priced_on, model_code, scenario_code, buyer_code,
    goods, shipping, handling, tax, landed_cost, unfilled_estimate, complete_cost
from model_cost
where
    goods + shipping + handling + tax <> landed_cost
    or landed_cost + unfilled_estimate <> complete_cost;
