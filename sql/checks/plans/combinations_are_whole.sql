-- a portion served by a combination gets all its components, in their counts
with needed as (
    select distinct
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, listed_part_code, combination_code
    from plan_line
    where combination_code <> ''
),

quarantined as (
    select
        needed.*,
        combinations.component_part_code,
        combinations.component_count
    from needed
    join combinations
        on needed.listed_part_code = combinations.part_code
        and needed.combination_code = combinations.combination_code
        and needed.priced_on >= combinations.valid_from_on
    qualify
        combinations.valid_from_on = max(combinations.valid_from_on) over (
            partition by
                priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, needed.combination_code
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
        quarantined.component_count,
        got.quantity,
        got.quantity / quarantined.component_count as piece_count
    from quarantined
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
