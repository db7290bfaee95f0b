-- a portion served by a make-up gets all its components, in their counts
with wanted as (
    select distinct
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, listed_part_code, make_up_code
    from plan_line
    where make_up_code <> ''
),

held as (
    select
        wanted.*,
        make_ups.component_part_code,
        make_ups.component_count
    from wanted
    join make_ups
        on wanted.listed_part_code = make_ups.part_code
        and wanted.make_up_code = make_ups.make_up_code
        and wanted.priced_on >= make_ups.valid_from_on
    qualify
        make_ups.valid_from_on = max(make_ups.valid_from_on) over (
            partition by
                priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, wanted.make_up_code
        )
),

got as (
    select
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, make_up_code,
        part_code as component_part_code,
        sum(quantity) as quantity
    from plan_line
    where make_up_code <> ''
    group by all
),

compared as (
    select
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, make_up_code,
        component_part_code,
        held.component_count,
        got.quantity,
        got.quantity / held.component_count as piece_count
    from held
    full join got using (
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, make_up_code,
        component_part_code
    )
)

select *
from compared
qualify
    piece_count is null
    or piece_count <> floor(piece_count)
    or piece_count <> max(piece_count) over (
        partition by priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, make_up_code
    );
