-- one row per offer whose run of confirmations does not go on: another starts with the batch's export
update spell
set confirmed_from_on = append_new_run.observed_on, confirmed_to_on = null
from append_new_run
where spell.vendor_code = append_new_run.vendor_code and spell.offer_id = append_new_run.offer_id;
