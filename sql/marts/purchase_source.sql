-- one row per plan, offer and price step bought: the lines it serves, and the row of a price file that its price comes from
--
-- received_unit_price is what the file says where a declared correction changed it. The file is archive/ab/<file_hash>, ab
-- being the first two letters of the hash.
create view purchase_source as
with line as (
    select
        priced_on,
        model_code,
        scenario_code,
        buyer_code,
        offer_id,
        string_agg(distinct line_number::varchar, ', ' order by line_number::varchar) as line_numbers
    from plan_line
    where offer_id <> ''
    group by all
),

spell as (
    -- an offer's price steps share their dates
    select offer_id, min(valid_from_on) as valid_from_on, max(last_confirmed_on) as last_confirmed_on
    from price_history
    where offer_id in (select offer_id from plan_purchase)
    group by offer_id
)

select
    plan_purchase.priced_on,
    plan_purchase.model_code,
    plan_purchase.scenario_code,
    plan_purchase.buyer_code,
    line.line_numbers,
    plan_purchase.vendor_code,
    plan_purchase.part_code,
    plan_purchase.colour_code,
    plan_purchase.condition,
    plan_purchase.bought_piece_count,
    plan_purchase.unit_price,
    plan_purchase.vendor_currency_code,
    plan_purchase.purchase_value,
    spell.valid_from_on,
    spell.last_confirmed_on,
    intake_file.file_name,
    offer_source.source_line_number,
    offer_source.file_hash,
    offer_source.record_number,
    corrected_row.unit_price as received_unit_price,
    corrected_row.reason as correction_reason,
    plan_purchase.offer_id,
    plan_purchase.step_from_quantity
from plan_purchase
left join line using (priced_on, model_code, scenario_code, buyer_code, offer_id)
left join spell using (offer_id)
left join offer_source using (offer_id, step_from_quantity)
left join intake_file using (file_hash)
left join corrected_row using (file_hash, record_number)
order by all;
