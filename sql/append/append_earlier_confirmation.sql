-- one row per offer whose run of confirmations does not go on: the run as it stood
insert into earlier_confirmation
select distinct vendor_code, offer_id, confirmed_from_on, confirmed_to_on
from append_new_run
order by all;
