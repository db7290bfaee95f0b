-- one row per offer whose run of confirmations does not go on: a new run starts with the batch's export
update price_period
set confirmed_from_on = append_new_run.observed_on, confirmed_to_on = null
from append_new_run
where price_period.vendor_code = append_new_run.vendor_code and price_period.offer_id = append_new_run.offer_id;
