-- one row per new price to compare with the market: changes that stand out, and first prices of shared elements
create or replace temp table candidate as
with chosen as (
    select
        new_price.*,
        standing_out.own_ratio
    from new_price
    join standing_out using (price_number)
    union all
    select
        *,
        null as own_ratio
    from new_price
    where own_price is null and exists (from shared_element)
)

select
    chosen.price_number,
    chosen.valid_from_on,
    chosen.own_price,
    chosen.own_ratio,
    ln(chosen.unit_price * common_rate.factor) as log_price,
    common_rate.factor,
    shared_element.element_number,
    vendor.vendor_number,
    price_period.sold_in_multiples_of
from chosen
join price_period on chosen.price_number = price_period.rowid
join vendor using (vendor_code)
left join shared_element using (part_code, colour_code, condition)
left join common_rate
    on chosen.valid_from_on = common_rate.day
    and price_period.currency_code = common_rate.currency_code
where chosen.own_price is not null or shared_element.element_number is not null;
