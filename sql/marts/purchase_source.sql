-- one row per plan, line, portion, offer that serves it and order, by price step bought: the row of a price file that
-- the price comes from, and why a declared correction changed it, if one did; corrected_row has the row as the file
-- gave it
create view purchase_source as
with price_period as (
    -- an offer's price steps share their dates
    select offer_id, min(valid_from_on) as valid_from_on, max(last_confirmed_on) as last_confirmed_on
    from price_history
    where offer_id in (select offer_id from plan_purchase)
    group by offer_id
)

select
    plan_line.priced_on,
    plan_line.model_code,
    plan_line.scenario_code,
    plan_line.buyer_code,
    plan_line.line_number,
    plan_line.portion_number,
    plan_line.vendor_code,
    plan_line.order_number,
    plan_line.part_code,
    plan_line.colour_code,
    plan_line.condition,
    plan_line.quantity,
    plan_purchase.unit_price,
    plan_purchase.vendor_currency_code,
    price_period.valid_from_on,
    price_period.last_confirmed_on,
    intake_file.file_name,
    offer_source.source_line_number,
    offer_source.file_hash,
    offer_source.record_number,
    corrected_row.reason,
    plan_line.offer_id,
    plan_purchase.step_from_quantity
from plan_line
join plan_purchase using (priced_on, model_code, scenario_code, buyer_code, offer_id, order_number)
left join price_period using (offer_id)
left join offer_source using (offer_id, step_from_quantity)
left join intake_file using (file_hash)
left join corrected_row using (file_hash, record_number)
order by all;
