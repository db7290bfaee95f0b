-- the fair shares of a plan's flexible lines add up to what all of them save; a plan without fair shares has nothing to
-- share, or a saving that no line can be credited with
with shared as (
    select priced_on, model_code, scenario_code, buyer_code, saving
    from colour_flex_saving
    where saving_view = 'fair'
    union all
    select priced_on, model_code, scenario_code, buyer_code, saving
    from substitute_saving
    where saving_view = 'fair'
),

added as (
    select priced_on, model_code, scenario_code, buyer_code, sum(saving) as saving
    from shared
    group by all
),

totals as (
    select priced_on, model_code, scenario_code, buyer_code, total_saving
    from flexibility_cost
    where flexibility_allowed = 'both'
)

select
    priced_on, model_code, scenario_code, buyer_code,
    added.saving as shares_added,
    totals.total_saving
from added
left join totals using (priced_on, model_code, scenario_code, buyer_code)
where totals.total_saving is null or added.saving <> totals.total_saving;
