-- one row per plan on the latest date priced and undecided line worth a look: the lines to look at first, with the
-- names of part and colour
create view lines_to_look_at as
select
    look_first.model_code,
    look_first.buyer_code,
    look_first.look_rank,
    look_first.line_number,
    look_first.listed_part_code,
    parts.part_name,
    look_first.listed_colour_code,
    look_first.quantity,
    look_first.look_saving,
    look_first.look_saving_so_far,
    look_first.look_colour_codes
from look_first
left join parts on look_first.listed_part_code = parts.part_code
where look_first.is_worth_a_look
qualify look_first.priced_on = max(look_first.priced_on) over (partition by look_first.model_code)
order by look_first.model_code, look_first.buyer_code, look_first.look_rank;
