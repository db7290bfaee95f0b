-- every price step in the history, and so every price paid, comes from one row of a file taken in
select
    coalesce(price_history.offer_id, offer_source.offer_id) as offer_id,
    step_from_quantity,
    price_history.vendor_code,
    offer_source.file_hash,
    offer_source.source_line_number
from price_history
full join offer_source using (offer_id, step_from_quantity)
left join intake_file using (file_hash)
where offer_source.offer_id is null or price_history.offer_id is null or intake_file.file_hash is null;
