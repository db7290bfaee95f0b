-- goods, shipping, handling and tax add up to the landed cost of every vendor's order
select
    priced_on, model_code, scenario_code, buyer_code, vendor_code, order_number,
    goods, shipping, handling, tax, landed_cost
from plan_vendor
where goods + shipping + handling + tax <> landed_cost;
