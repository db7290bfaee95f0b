-- no plan costs less than the bound below which none can
select priced_on, model_code, scenario_code, buyer_code, lower_bound, landed_cost
from model_cost
where lower_bound > landed_cost;
