-- a saving lies in its range; it is clear where the whole range is above 0; an estimate has no range and is never clear
with savings as (
    select
        'colour_flex_saving' as table_name, priced_on, model_code, scenario_code, buyer_code, line_number,
        saving_view as what, saving, saving_low, saving_high, is_distinct, saving_basis = 'planned' as has_range
    from colour_flex_saving
    union all
    select
        'substitute_saving', priced_on, model_code, scenario_code, buyer_code, line_number, saving_view,
        saving, saving_low, saving_high, is_distinct, saving_basis = 'planned'
    from substitute_saving
    union all
    select
        'flexibility_cost', priced_on, model_code, scenario_code, buyer_code, null, flexibility_allowed, total_saving,
        saving_low, saving_high, is_distinct, saving_low is not null
    from flexibility_cost
)

select *
from savings
where
    (saving_low is not null) <> has_range
    or (saving_high is not null) <> has_range
    or saving not between saving_low and saving_high
    or is_distinct <> coalesce(saving_low > 0, false);
