-- the orders of a plan add up to the plan, component by component, and to its number of orders
with ordered as (
    select
        priced_on, model_code, scenario_code, buyer_code,
        sum(goods) as goods,
        sum(shipping) as shipping,
        sum(handling) as handling,
        sum(tax) as tax,
        sum(landed_cost) as landed_cost,
        count(*) as vendor_count,
        min(currency_code) as lowest_currency_code,
        max(currency_code) as highest_currency_code
    from plan_vendor
    group by all
)

select
    priced_on, model_code, scenario_code, buyer_code,
    model_cost.landed_cost,
    ordered.landed_cost as vendors_landed_cost,
    model_cost.vendor_count,
    ordered.vendor_count as order_count
from model_cost
full join ordered using (priced_on, model_code, scenario_code, buyer_code)
where
    model_cost.model_code is null
    or model_cost.goods <> coalesce(ordered.goods, 0)
    or model_cost.shipping <> coalesce(ordered.shipping, 0)
    or model_cost.handling <> coalesce(ordered.handling, 0)
    or model_cost.tax <> coalesce(ordered.tax, 0)
    or model_cost.landed_cost <> coalesce(ordered.landed_cost, 0)
    or model_cost.vendor_count <> coalesce(ordered.vendor_count, 0)
    or ordered.lowest_currency_code <> model_cost.currency_code
    or ordered.highest_currency_code <> model_cost.currency_code;
