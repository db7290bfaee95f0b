-- in every breakdown, the groups of lines add up to the change of the headline index
with summed as (
    select
        model_code, buyer_code, month, change_month_count, contribution_view,
        sum(group_contribution_points) as groups_total
    from index_contribution
    group by all
),

headline as (
    select
        model_code, buyer_code, month,
        1 as change_month_count,
        change_1_month_pct as change_pct
    from price_index
    where index_method = 'lowe'
    union all
    select
        model_code, buyer_code, month,
        12 as change_month_count,
        change_12_months_pct as change_pct
    from price_index
    where index_method = 'lowe'
)

select
    model_code, buyer_code, month, change_month_count,
    summed.contribution_view,
    summed.groups_total,
    headline.change_pct
from summed
left join headline using (model_code, buyer_code, month, change_month_count)
where
    headline.change_pct is null
    or abs(summed.groups_total - headline.change_pct) > 1e-9 * greatest(100, abs(headline.change_pct));
