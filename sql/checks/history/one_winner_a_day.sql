-- at most one full export of a vendor wins on a date
select vendor_code, observed_on, count(*) as winner_count, min(file_hash) as one_file_hash
from vendor_export
where export_standing = 'winner'
group by vendor_code, observed_on
having winner_count > 1;
