-- the savings that a look-first list adds line by line add up at every line; looking in this order never saves more
-- than the best choice of as many lines
with added as (
    select
        priced_on, model_code, scenario_code, buyer_code, look_rank, line_number, look_saving_so_far, best_look_saving,
        sum(added_saving) over (
            partition by priced_on, model_code, scenario_code, buyer_code order by look_rank
        ) as saving_added_up
    from look_first
)

select *
from added
where saving_added_up <> look_saving_so_far or look_saving_so_far > best_look_saving;
