-- one row per model, scenario, buyer and date: what changed the cost since the first date, and what buyers gained by
-- choosing again
create view buyers_gain as
with stepped as (
    select
        model_code,
        buyer_code,
        scenario_code,
        priced_on,
        coalesce(sum(cost_change) filter (change_part = 'prices'), 0) as goods_prices,
        coalesce(sum(cost_change) filter (change_part = 'exchange_rates'), 0) as exchange_rates,
        coalesce(sum(cost_change) filter (change_part = 'terms'), 0) as terms,
        coalesce(sum(cost_change) filter (change_part in ('list', 'decisions')), 0) as other_wants,
        coalesce(sum(cost_change) filter (change_part in ('ended_offers', 'estimates')), 0) as forced,
        coalesce(sum(cost_change) filter (change_part in ('vendors', 'colours', 'forms')), 0) as substitution,
        coalesce(sum(cost_change) filter (change_part = 'shipping_structure'), 0) as shipping_structure
    from cost_change
    group by all
)

select
    model_code,
    buyer_code,
    scenario_code,
    priced_on,
    sum(goods_prices) over since_first as goods_prices,
    sum(exchange_rates) over since_first as exchange_rates,
    sum(terms) over since_first as terms,
    sum(other_wants) over since_first as other_wants,
    sum(forced) over since_first as forced,
    sum(substitution) over since_first as substitution,
    sum(shipping_structure) over since_first as shipping_structure,
    -sum(substitution + shipping_structure) over since_first as gained
from stepped
window
    since_first as (
        partition by model_code, buyer_code, scenario_code
        order by priced_on
    )
order by model_code, buyer_code, scenario_code, priced_on;

comment on column buyers_gain.goods_prices is
'prices of what was bought before, where still on offer; summed since the first date; in currency of the buyer';

comment on column buyers_gain.exchange_rates is
'exchange rates, at what was bought before; summed since the first date; in currency of the buyer';

comment on column buyers_gain.terms is
'shipping, fees, discounts and taxes of earlier vendors; summed since the first date; in currency of the buyer';

comment on column buyers_gain.other_wants is
'lines that the designer or the user''s decisions changed; summed since the first date; in currency of the buyer';

comment on column buyers_gain.forced is
'offers that ended and pieces that could not be bought; summed since the first date; in currency of the buyer';

comment on column buyers_gain.substitution is
'other vendors, colours and forms, by choice; summed since the first date; in currency of the buyer';

comment on column buyers_gain.shipping_structure is
'shipping, handling, tax, discounts and spares of new orders; summed since the first date; in currency of the buyer';

comment on column buyers_gain.gained is
'what choosing again saved: minus substitution and shipping structure; in currency of the buyer';
