"""A known plan as the start of a program: a value for every column, so that the solver has nothing to complete."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from pipelines.planner.plans.whole_plan import WholePlan
from pipelines.planner.program.rows import PlanProgram
from pipelines.planner.statement.columns_as_arrays import Floats, Ints
from pipelines.planner.statement.quantities import just_below


def start_values(model: PlanProgram, plan: WholePlan) -> Floats | None:
    """The plan as values of the program's columns; None if it uses what the program leaves out."""
    values = np.zeros(len(model.program.cost))
    if (plan.used[model.use < 0] > 0).any():
        return None
    has_column = model.use >= 0
    values[model.use[has_column]] = plan.used[has_column]
    goods, counted = model.goods, model.goods.step >= 0
    quantity = np.zeros(len(goods.column), np.int64)
    quantity[counted] = plan.bought[goods.step[counted]]
    quantity[~counted] = np.rint(values[goods.column[~counted]]).astype(np.int64)
    if quantity.sum() != plan.bought.sum():
        return None
    values[goods.column] = quantity // goods.pieces
    values[model.unfilled], values[model.combination] = plan.unfilled, plan.combinations
    values[model.vendor[plan.vendors(model.compiled)]] = 1.0
    _set(values, model.step_taken[quantity > 0])
    least = np.where(counted, model.compiled.step_least[goods.step], 0)
    _set(values, model.step_beyond[quantity > least])
    _set_groups(model, plan, values)
    worth = quantity // goods.pieces * goods.price + goods.base * (quantity > 0)
    _set_handling(model, values, worth)
    bought_from = model.compiled.offer_vendor[goods.offer]
    reached = [
        _set_rules(model, values, number, np.flatnonzero((bought_from == number) & (quantity > 0)), quantity, worth)
        for number in plan.vendors(model.compiled).tolist()
    ]
    return values if all(reached) else None


def _set(values: Floats, columns: Ints) -> None:
    values[columns[columns >= 0]] = 1.0


def _set_groups(model: PlanProgram, plan: WholePlan, values: Floats) -> None:
    compiled = model.compiled
    direct, made = (compiled.use_combination < 0) & (plan.used > 0), plan.combinations > 0
    portion = np.concatenate([compiled.use_portion[direct], compiled.combination_portion[made]])
    colour = np.concatenate([compiled.use_colour[direct], compiled.combination_colour[made]])
    taken = set(zip(compiled.group[portion].tolist(), colour.tolist(), strict=True))
    is_taken = [(group, colour) in taken for group, colour in model.group_choices.tolist()]
    values[model.group_colour[is_taken]] = 1.0


def _set_handling(model: PlanProgram, values: Floats, worth: Floats) -> None:
    compiled = model.compiled
    if not len(compiled.handling_charge):
        return
    charge = compiled.offer_assortment[model.goods.offer]
    subtotals = np.bincount(charge[charge >= 0], worth[charge >= 0], len(compiled.handling_charge))
    for number in np.flatnonzero(subtotals > 0).tolist():
        waived_from = compiled.handling_waived_from[number]
        grain = int(compiled.vendors.grain[compiled.handling_vendor[number]])
        waived = waived_from is not None and subtotals[number] > just_below(waived_from, grain)
        values[(model.handling_waived if waived else model.handling_paid)[number]] = 1.0


def _set_rules(model: PlanProgram, values: Floats, number: int, bought: Ints, quantity: Ints, worth: Floats) -> bool:
    """One vendor's bands, sizes and elements; False if its order is in no band or step."""
    compiled, rules = model.compiled, model.rules
    terms, vendors = compiled.vendors.bands[number], compiled.vendors
    offer = model.goods.offer[bought]
    ships_free = terms.bands[0].ships_free
    if number in rules.bands:
        value = float(worth[bought].sum())
        index = _last_reached([band.start for band in terms.bands], value, int(vendors.grain[number]))
        if index < 0 or rules.bands[number][index] < 0:
            return False
        ships_free = terms.bands[index].ships_free
        values[rules.bands[number][index]] = 1.0
        if number in rules.band_goods:
            values[rules.band_goods[number][index]] = value
    if number in rules.weight_steps:
        weight = float(compiled.offer_weight[offer] @ quantity[bought])
        index = _last_reached([step.start for step in terms.weight_steps], weight, int(vendors.weight_grain[number]))
        _set_step(values, rules.weight_steps[number], rules.weight_paid.get(number), index, ships_free)
    if number in rules.dimension_steps:
        index = int(compiled.offer_size_class[offer].max())
        _set_step(values, rules.dimension_steps[number], rules.dimension_paid.get(number), index, ships_free)
    if number in rules.elements:
        elements, columns = rules.elements[number]
        values[columns[np.isin(elements, compiled.offer_element[offer])]] = 1.0
    return True


def _set_step(values: Floats, taken: Ints, paid: Ints | None, index: int, ships_free: bool) -> None:
    values[taken[index]] = 1.0
    if paid is not None and not ships_free:
        values[paid[index]] = 1.0


def _last_reached(starts: Sequence[Fraction], value: float, grain: int) -> int:
    reached = [index for index, start in enumerate(starts) if start <= 0 or value > just_below(start, grain)]
    return max(reached, default=-1)
