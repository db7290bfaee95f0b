-- the price of every purchase comes from one row of a file that was taken in, in the words of that row or as corrected
select
    priced_on, model_code, scenario_code, buyer_code, offer_id, step_from_quantity, file_hash, source_line_number
from purchase_source
where file_name is null or source_line_number is null
union all
select null, null, null, null, price_history.offer_id, price_history.step_from_quantity, offer_source.file_hash, null
from price_history
full join offer_source using (offer_id, step_from_quantity)
where offer_source.offer_id is null or price_history.offer_id is null;
