-- one row per row of a touched vendor, with the price and currency of its declared correction; a dropped row counts no
-- longer
update export_row
set
    unit_price = coalesce(corrected_row.corrected_unit_price, export_row.unit_price),
    currency_code = coalesce(corrected_row.corrected_currency_code, export_row.currency_code),
    is_left_out = corrected_row.correction_action = 'drop'
from corrected_row
where
    corrected_row.file_hash = export_row.file_hash
    and corrected_row.record_number = export_row.record_number
    and corrected_row.vendor_code in (select vendor_code from touched_vendor);
