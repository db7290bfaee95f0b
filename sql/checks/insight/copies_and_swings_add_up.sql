-- the cost of copies is landed cost and estimate, that of the model's own number is its plan's, and a swing is a
-- difference
with copies_that_differ as (
    select
        copy_cost.priced_on, copy_cost.model_code, copy_cost.buyer_code,
        'copies ' || copy_cost.copies as what,
        copy_cost.complete_cost as told_cost,
        model_cost.complete_cost as plan_cost
    from copy_cost
    left join model_cost
        on
        copy_cost.priced_on = model_cost.priced_on
        and copy_cost.model_code = model_cost.model_code
        and copy_cost.scenario_code = model_cost.scenario_code
        and copy_cost.buyer_code = model_cost.buyer_code
        and copy_cost.copies = model_cost.copy_count
    where
        copy_cost.complete_cost <> copy_cost.landed_cost + copy_cost.unfilled_estimate
        or copy_cost.complete_cost <> model_cost.complete_cost
),

swings_that_differ as (
    select
        what_if_swing.priced_on, what_if_swing.model_code, what_if_swing.buyer_code,
        what_if_swing.assumption || ' ' || what_if_swing.swing_side as what,
        what_if_swing.complete_cost - what_if_swing.swing_amount as told_cost,
        model_cost.complete_cost as plan_cost
    from what_if_swing
    left join model_cost using (priced_on, model_code, scenario_code, buyer_code)
    where what_if_swing.complete_cost - what_if_swing.swing_amount is distinct from model_cost.complete_cost
)

select * from copies_that_differ
union all
select * from swings_that_differ;
