-- one row per plan on the latest date priced, line flexible in colour or form, and view (alone, last), where plans
-- made for it show that this flexibility saves
create view flexible_lines_that_pay as
with savings as (
    select
        priced_on, model_code, buyer_code, scenario_code, line_number, listed_part_code, listed_colour_code,
        colour_rule, quantity, saving_view, saving, saving_low, saving_high, is_distinct,
        'colour' as flexible_kind
    from colour_flex_saving
    union all
    select
        priced_on, model_code, buyer_code, scenario_code, line_number, listed_part_code, listed_colour_code,
        null, quantity, saving_view, saving, saving_low, saving_high, is_distinct,
        'form'
    from substitute_saving
)

select
    model_code,
    buyer_code,
    scenario_code,
    priced_on,
    line_number,
    listed_part_code,
    listed_colour_code,
    flexible_kind,
    colour_rule,
    quantity,
    saving_view,
    saving,
    saving_low,
    saving_high
from savings
where is_distinct and saving > 0
qualify priced_on = max(priced_on) over (partition by model_code)
order by
    model_code asc, buyer_code asc, scenario_code asc, saving desc, line_number asc, flexible_kind asc, saving_view asc;

comment on column flexible_lines_that_pay.flexible_kind is
'what the flexibility is of: colour or form';
