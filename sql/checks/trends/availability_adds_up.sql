-- a model's availability is the sum of its elements', and shares and copies follow from the pieces
with latest as (
    select model_code, buyer_code, max(month) as month
    from model_availability
    group by model_code, buyer_code
),

added as (
    select
        model_code,
        buyer_code,
        sum(needed_piece_count) as needed_piece_count,
        count(*) as basket_element_count,
        count(*) filter (where buyable_piece_count >= needed_piece_count) as available_element_count,
        count(*) filter (where market_vendor_count = 1) as single_vendor_element_count,
        sum(least(buyable_piece_count, needed_piece_count)) / sum(needed_piece_count) as fillable_share,
        min(copies_on_offer) as buildable_copy_count
    from element_availability
    group by model_code, buyer_code
)

select
    model_availability.model_code,
    model_availability.buyer_code,
    model_availability.month,
    added.needed_piece_count,
    added.available_element_count,
    added.buildable_copy_count
from model_availability
semi join latest using (model_code, buyer_code, month)
left join added using (model_code, buyer_code)
where
    model_availability.needed_piece_count is distinct from added.needed_piece_count
    or model_availability.basket_element_count is distinct from added.basket_element_count
    or model_availability.available_element_count is distinct from added.available_element_count
    or model_availability.single_vendor_element_count is distinct from added.single_vendor_element_count
    or model_availability.buildable_copy_count is distinct from added.buildable_copy_count
    or abs(model_availability.fillable_share - added.fillable_share) > 1e-12
    or added.fillable_share is null;
