-- what an order buys of an offer is what its portions use plus the spares; portions use no piece that was not bought
with used as (
    select
        priced_on, model_code, scenario_code, buyer_code, offer_id, order_number,
        sum(quantity) as line_piece_count
    from plan_line
    where offer_id <> ''
    group by all
)

select
    priced_on, model_code, scenario_code, buyer_code, offer_id, order_number,
    bought_piece_count, used_piece_count, spare_piece_count, line_piece_count
from plan_purchase
full join used using (priced_on, model_code, scenario_code, buyer_code, offer_id, order_number)
where
    bought_piece_count is null
    or spare_piece_count < 0
    or bought_piece_count <> used_piece_count + spare_piece_count
    or used_piece_count <> coalesce(line_piece_count, 0);
