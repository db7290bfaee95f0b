-- pieces bought for portions, pieces from stock on hand and unfilled pieces add up to the pieces the model needs
--
-- A piece filled by a combination counts once: the pieces of one of its parts, divided by how many of that part it
-- takes.
with line_component as (
    select
        plan_line.*,
        combinations.component_count
    from plan_line
    asof left join combinations
        on plan_line.listed_part_code = combinations.part_code
        and plan_line.combination_code = combinations.combination_code
        and plan_line.part_code = combinations.component_part_code
        and plan_line.priced_on >= combinations.valid_from_on
),

component_piece as (
    select
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, combination_code, part_code,
        sum(quantity) / max(component_count) as piece_count
    from line_component
    where combination_code <> ''
    group by all
),

made_up as (
    select
        priced_on, model_code, scenario_code, buyer_code, line_number, portion_number, combination_code,
        max(piece_count) as piece_count
    from component_piece
    group by all
),

served as (
    select
        priced_on, model_code, scenario_code, buyer_code,
        quantity as piece_count,
        case when offer_id = '' then quantity else 0 end as on_hand_piece_count,
        0 as unfilled_piece_count
    from plan_line
    where combination_code = ''
    union all
    select priced_on, model_code, scenario_code, buyer_code, coalesce(piece_count, -1), 0, 0
    from made_up
    union all
    select
        priced_on, model_code, scenario_code, buyer_code,
        unfilled_piece_count as piece_count, 0, unfilled_piece_count
    from unfilled_line
),

total as (
    select
        priced_on, model_code, scenario_code, buyer_code,
        sum(piece_count) as piece_count,
        sum(on_hand_piece_count) as on_hand_piece_count,
        sum(unfilled_piece_count) as unfilled_piece_count
    from served
    group by all
)

select
    priced_on, model_code, scenario_code, buyer_code,
    model_cost.piece_count as servable_piece_count,
    total.piece_count,
    model_cost.on_hand_piece_count,
    total.on_hand_piece_count as line_on_hand_piece_count,
    model_cost.unfilled_piece_count,
    total.unfilled_piece_count as line_unfilled_piece_count
from model_cost
full join total using (priced_on, model_code, scenario_code, buyer_code)
where
    model_cost.piece_count is distinct from coalesce(total.piece_count, 0)
    or model_cost.on_hand_piece_count <> coalesce(total.on_hand_piece_count, 0)
    or model_cost.unfilled_piece_count <> coalesce(total.unfilled_piece_count, 0);
