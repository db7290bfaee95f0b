-- one row per unsettled vendor whose history no waiting export changes any longer
create or replace temp table settled_vendor as
select vendor_code
from unsettled_vendor
anti join new_waiting_export using (vendor_code);
