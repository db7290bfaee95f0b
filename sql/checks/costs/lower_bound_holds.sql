-- no plan costs less than its lower bound
select priced_on, model_code, scenario_code, buyer_code, lower_bound, landed_cost
from model_cost
where lower_bound > landed_cost;
