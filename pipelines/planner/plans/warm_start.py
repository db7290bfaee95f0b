"""A known plan as the start of a program: a value for every column, so that nothing is left for the solver to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from pipelines.planner.plans.whole_plan import WholePlan
from pipelines.planner.program.rows import PlanProgram
from pipelines.planner.statement.columns_as_arrays import Floats, Ints
from pipelines.planner.statement.quantities import just_below


def start_values(plan_program: PlanProgram, plan: WholePlan) -> Floats | None:
    """The plan as values of the program's columns; None if it uses what the program leaves out."""
    values = np.zeros(len(plan_program.program.cost))
    if (plan.used[plan_program.use < 0] > 0).any():
        return None
    has_column = plan_program.use >= 0
    values[plan_program.use[has_column]] = plan.used[has_column]
    goods, counted = plan_program.goods, plan_program.goods.step >= 0
    quantity = np.zeros(len(goods.column), np.int64)
    quantity[counted] = plan.bought[goods.step[counted]]
    quantity[~counted] = np.rint(values[goods.column[~counted]]).astype(np.int64)
    if quantity.sum() != plan.bought.sum():
        return None
    values[goods.column] = quantity // goods.pieces
    values[plan_program.unfilled], values[plan_program.combination] = plan.unfilled, plan.combinations
    values[plan_program.vendor[plan.vendors(plan_program.arrays)]] = 1.0
    _set(values, plan_program.step_taken[quantity > 0])
    least = np.where(counted, plan_program.arrays.step_least[goods.step], 0)
    _set(values, plan_program.step_beyond[quantity > least])
    _set_groups(plan_program, plan, values)
    worth = quantity // goods.pieces * goods.price + goods.base * (quantity > 0)
    _set_handling(plan_program, values, worth)
    bought_from = plan_program.arrays.offer_vendor[goods.offer]
    reached = [
        _set_rules(
            plan_program, values, number, np.flatnonzero((bought_from == number) & (quantity > 0)), quantity, worth
        )
        for number in plan.vendors(plan_program.arrays).tolist()
    ]
    return values if all(reached) else None


def _set(values: Floats, columns: Ints) -> None:
    values[columns[columns >= 0]] = 1.0


def _set_groups(plan_program: PlanProgram, plan: WholePlan, values: Floats) -> None:
    arrays = plan_program.arrays
    direct, made = (arrays.use_combination < 0) & (plan.used > 0), plan.combinations > 0
    portion = np.concatenate([arrays.use_portion[direct], arrays.combination_portion[made]])
    colour = np.concatenate([arrays.use_colour[direct], arrays.combination_colour[made]])
    taken = set(zip(arrays.group[portion].tolist(), colour.tolist(), strict=True))
    is_taken = [(group, colour) in taken for group, colour in plan_program.group_choices.tolist()]
    values[plan_program.group_colour[is_taken]] = 1.0


def _set_handling(plan_program: PlanProgram, values: Floats, worth: Floats) -> None:
    arrays = plan_program.arrays
    if not len(arrays.handling_charge):
        return
    charge = arrays.offer_assortment[plan_program.goods.offer]
    subtotals = np.bincount(charge[charge >= 0], worth[charge >= 0], len(arrays.handling_charge))
    for number in np.flatnonzero(subtotals > 0).tolist():
        waived_from = arrays.handling_waived_from[number]
        grain = arrays.vendors.grain[int(arrays.handling_vendor[number])]
        waived = waived_from is not None and subtotals[number] > just_below(waived_from, grain)
        values[(plan_program.handling_waived if waived else plan_program.handling_paid)[number]] = 1.0


def _set_rules(
    plan_program: PlanProgram, values: Floats, number: int, bought: Ints, quantity: Ints, worth: Floats
) -> bool:
    """One vendor's bands, sizes and elements; False if its order is in no band or step."""
    arrays, rules = plan_program.arrays, plan_program.rules
    terms, vendors = arrays.vendors.bands[number], arrays.vendors
    offer = plan_program.goods.offer[bought]
    ships_free = terms.bands[0].ships_free
    if number in rules.bands:
        value = float(worth[bought].sum())
        index = _last_reached([band.start for band in terms.bands], value, vendors.grain[number])
        if index < 0 or rules.bands[number][index] < 0:
            return False
        ships_free = terms.bands[index].ships_free
        values[rules.bands[number][index]] = 1.0
        if number in rules.band_goods:
            values[rules.band_goods[number][index]] = value
    if number in rules.weight_steps:
        weight = float(arrays.offer_weight[offer] @ quantity[bought])
        index = _last_reached([step.start for step in terms.weight_steps], weight, vendors.weight_grain[number])
        _set_step(values, rules.weight_steps[number], rules.weight_paid.get(number), index, ships_free)
    if number in rules.dimension_steps:
        index = int(arrays.offer_size_class[offer].max())
        _set_step(values, rules.dimension_steps[number], rules.dimension_paid.get(number), index, ships_free)
    if number in rules.elements:
        elements, columns = rules.elements[number]
        values[columns[np.isin(elements, arrays.offer_element[offer])]] = 1.0
    return True


def _set_step(values: Floats, taken: Ints, paid: Ints | None, index: int, ships_free: bool) -> None:
    values[taken[index]] = 1.0
    if paid is not None and not ships_free:
        values[paid[index]] = 1.0


def _last_reached(starts: Sequence[Fraction], value: float, grain: Fraction) -> int:
    reached = [index for index, start in enumerate(starts) if start <= 0 or value > just_below(start, grain)]
    return max(reached, default=-1)
