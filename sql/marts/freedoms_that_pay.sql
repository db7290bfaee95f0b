-- one row per plan and freed line on the latest date priced, where freeing this line alone, or freeing it last, saves
-- more than the plans' gaps can explain
create view freedoms_that_pay as
select
    model_code,
    buyer_code,
    scenario_code,
    priced_on,
    line_number,
    listed_part_code,
    listed_colour_code,
    colour_rule,
    quantity,
    saving_view,
    saving
from colour_flex_saving
where is_told_apart and saving > 0
qualify priced_on = max(priced_on) over (partition by model_code)
order by model_code, buyer_code, scenario_code, saving desc, line_number, saving_view;
