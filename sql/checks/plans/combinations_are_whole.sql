-- a portion filled by a combination gets all the combination's parts, each in its number
with served as (
    select distinct
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, listed_part_code,
        combination_code
    from plan_line
    where combination_code <> ''
),

due as (
    select
        served.*,
        combinations.component_part_code,
        combinations.component_count
    from served
    join combinations
        on served.listed_part_code = combinations.part_code
        and served.combination_code = combinations.combination_code
        and served.priced_on >= combinations.valid_from_on
    qualify
        combinations.valid_from_on = max(combinations.valid_from_on) over (
            partition by
                priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, served.combination_code
        )
),

got as (
    select
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, combination_code,
        part_code as component_part_code,
        sum(quantity) as quantity
    from plan_line
    where combination_code <> ''
    group by all
),

compared as (
    select
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, combination_code,
        component_part_code,
        due.component_count,
        got.quantity,
        got.quantity / due.component_count as piece_count
    from due
    full join got using (
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, combination_code,
        component_part_code
    )
)

select *
from compared
qualify
    piece_count is null
    or piece_count <> floor(piece_count)
    or piece_count <> max(piece_count) over (
        partition by priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, combination_code
    );
