"""A plan in whole pieces: read from a program's columns or a solution, checked, priced by the landed cost, and written."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

import numpy as np
import polars as pl

from pipelines.costing.landed_cost import LandedCost, work_out
from pipelines.planner.program.rows import PlanProgram
from pipelines.planner.statement.columns_as_arrays import Floats, Ints
from pipelines.planner.statement.problem import Problem, Solution
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.shared_stock import largest_orders_first, stock_left

WHOLE_TOLERANCE = 1e-5


@dataclass(frozen=True)
class WholePlan:
    """Pieces bought per price step, used per use, unfilled per portion, and whole combinations.

    ``cost`` is the landed cost with the penalties of the orders, which is what plans are compared by.
    """

    bought: Ints
    used: Ints
    unfilled: Ints
    combinations: Ints
    cost: Fraction = Fraction(0)

    @property
    def unfilled_count(self) -> int:
        """Pieces left unfilled."""
        return int(self.unfilled.sum())

    def rank(self, arrays: ProblemArrays) -> tuple[int, Fraction, int, int]:
        """What plans are compared by, in this order: pieces unfilled, cost, vendors, pieces bought."""
        return self.unfilled_count, self.cost, len(self.vendors(arrays)), int(self.bought.sum())

    def is_better_than(self, other: WholePlan, arrays: ProblemArrays) -> bool:
        """By rank; of plans of equal rank the one is better that buys more of the first offer in which they differ.

        So the order in which plans are found decides nothing.
        """
        ours, theirs = self.rank(arrays), other.rank(arrays)
        if ours != theirs:
            return ours < theirs
        for own, its in ((self.bought, other.bought), (self.used, other.used)):
            differs = np.flatnonzero(own != its)
            if len(differs):
                return bool(own[differs[0]] > its[differs[0]])
        return False

    def vendors(self, arrays: ProblemArrays) -> Ints:
        """Vendors bought from."""
        return np.unique(arrays.offer_vendor[arrays.step_offer[self.bought > 0]])


def read_plan(plan_program: PlanProgram, values: Floats) -> WholePlan | None:
    """The plan in a solution; None if pieces are not whole or stand-ins are used."""
    arrays, goods = plan_program.arrays, plan_program.goods
    if len(plan_program.outside) and values[plan_program.outside].max(initial=0.0) > WHOLE_TOLERANCE:
        return None
    used = np.where(plan_program.use >= 0, values[plan_program.use], 0.0)
    parts = [used, values[goods.column], values[plan_program.unfilled], values[plan_program.combination]]
    if any(np.abs(part - np.rint(part)).max(initial=0.0) > WHOLE_TOLERANCE for part in parts):
        return None
    used, units, unfilled, combinations = (np.rint(part).astype(np.int64) for part in parts)
    bought = np.zeros(len(arrays.step_offer), np.int64)
    counted = goods.step >= 0
    bought[goods.step[counted]] = units[counted] * goods.pieces[counted]
    np.add.at(bought, arrays.step_start[goods.offer[~counted]], units[~counted])
    return WholePlan(bought, used, unfilled, combinations)


def buying_nothing(arrays: ProblemArrays) -> WholePlan:
    """The plan that buys nothing."""
    bought, used, combinations = (
        np.zeros(len(index), np.int64) for index in (arrays.step_offer, arrays.use_offer, arrays.combination_portion)
    )
    return WholePlan(bought, used, arrays.need.copy(), combinations)


def purchases_of(arrays: ProblemArrays, plan: WholePlan) -> pl.DataFrame:
    """What the landed cost takes as purchases, with offer_index, by offer."""
    step = np.flatnonzero(plan.bought > 0)
    found = arrays.step_facts[step].with_columns(pl.Series("quantity", plan.bought[step], dtype=pl.Int64))
    if not arrays.step_base_micro[step].any():
        return found
    base = [Decimal(micro).scaleb(-6) for micro in arrays.step_base_micro[step].tolist()]
    values = [
        price * quantity + more
        for price, quantity, more in zip(found["unit_price"].to_list(), plan.bought[step].tolist(), base, strict=True)
    ]
    return found.with_columns(pl.Series("goods_value", values, dtype=pl.Decimal(38, 6)))


def landed_cost_of(problem: Problem, arrays: ProblemArrays, plan: WholePlan) -> LandedCost:
    """What the plan's purchases cost."""
    return work_out(purchases_of(arrays, plan), problem.terms)


def faults_of(arrays: ProblemArrays, plan: WholePlan) -> list[str]:
    """Why the plan can't be carried out; the vendors' own rules are left to the landed cost."""
    offer_count, portion_count = len(arrays.offer_row), len(arrays.need)
    bought = _summed(arrays.step_offer, plan.bought, offer_count)
    used = _summed(arrays.use_offer, plan.used, offer_count)
    direct = arrays.use_combination < 0
    filled = _summed(arrays.use_portion[direct], plan.used[direct], portion_count)
    filled += _summed(arrays.combination_portion, plan.combinations, portion_count)
    components = _summed(arrays.use_component[~direct], plan.used[~direct], len(arrays.component_combination))
    steps = plan.bought > 0
    off_step = steps & ((plan.bought < arrays.step_least) | (plan.bought > arrays.step_most))
    checks = {
        "negative quantities": min((part.min(initial=0) for part in (plan.bought, plan.used, plan.unfilled)), default=0) < 0,
        "more used than bought": (used > bought).any(),
        "more bought than can be": (bought > arrays.offer_most).any(),
        "more bought in several orders than there is": (stock_left(arrays, np.arange(offer_count), bought) < 0).any(),
        "several price steps of one offer": _summed(arrays.step_offer, steps.astype(np.int64), offer_count).max(initial=0) > 1,
        "a quantity outside its price step": off_step.any(),
        "a broken multiple": (bought % arrays.offer_multiple != 0).any(),
        "a portion filled wrongly": (filled + plan.unfilled != arrays.need).any(),
        "a combination with wrong parts": (
            components != arrays.component_count * plan.combinations[arrays.component_combination]
        ).any(),
        "a colour group in several colours": _mixed_groups(arrays, plan),
        "too many vendors": arrays.maximum_vendor_count is not None
        and len(plan.vendors(arrays)) > arrays.maximum_vendor_count,
        "a forced vendor without an order": (
            arrays.vendors.is_forced
            & (_summed(arrays.offer_vendor, used, len(arrays.vendors)) == 0)
        ).any(),
        "needless spares": not arrays.allow_spares and _has_needless_spares(arrays, plan, bought, used),
    }  # fmt: skip
    return [fault for fault, found in checks.items() if found]


def _summed(index: Ints, values: Ints, count: int) -> Ints:
    return np.bincount(index, values, count).astype(np.int64)


def _mixed_groups(arrays: ProblemArrays, plan: WholePlan) -> bool:
    direct = (arrays.use_combination < 0) & (plan.used > 0)
    made = plan.combinations > 0
    portion = np.concatenate([arrays.use_portion[direct], arrays.combination_portion[made]])
    colour = np.concatenate([arrays.use_colour[direct], arrays.combination_colour[made]])
    group = arrays.group[portion]
    pairs = np.unique(np.stack([group, colour], axis=1)[group >= 0], axis=0)
    return len(np.unique(pairs[:, 0])) < len(pairs)


def _has_needless_spares(arrays: ProblemArrays, plan: WholePlan, bought: Ints, used: Ints) -> bool:
    """Whether a smaller quantity on sale would have covered the use."""
    step = np.flatnonzero(plan.bought > 0)
    offer = arrays.step_offer[step]
    at_least = bought[offer] == arrays.step_least[step]
    smaller = np.where(at_least, bought[offer] - arrays.step_gap[step], bought[offer] - arrays.offer_multiple[offer])
    return bool((smaller >= used[offer]).any())


def checked(problem: Problem, arrays: ProblemArrays, plan: WholePlan) -> WholePlan | None:
    """The plan with its cost, larger orders with a vendor first; None if it can't be carried out."""
    if faults_of(arrays, plan):
        return None
    bought, used = largest_orders_first(arrays, plan.bought, plan.used)
    plan = replace(plan, bought=bought, used=used)
    landed_cost = landed_cost_of(problem, arrays, plan)
    cost = landed_cost.exact_cost + problem.penalties.of_all(order.vendor_code for order in landed_cost.vendors)
    return None if landed_cost.broken_rules else replace(plan, cost=cost)


def plan_from(problem: Problem, arrays: ProblemArrays, solution: Solution) -> WholePlan | None:
    """A solution of this problem as a plan; None if it is not one."""
    offer_of = {int(row): offer for offer, row in enumerate(arrays.offer_row)}
    bought = np.zeros(len(arrays.step_offer), np.int64)
    for row, quantity in solution.purchases.select("offer_index", "quantity").iter_rows():
        is_step = arrays.step_offer == offer_of.get(row, -1)
        fits = np.flatnonzero(is_step & (arrays.step_least <= quantity) & (quantity <= arrays.step_most))
        if not len(fits):
            return None
        bought[fits[0]] = quantity
    uses = problem.uses.with_row_index("use_row")
    key = ["portion_index", "offer_index", "combination_code", "component_part_code"]
    found = solution.allocations.join(uses, on=key, how="left")
    use_of = {int(row): use for use, row in enumerate(arrays.use_row)}
    used, combinations = (
        np.zeros(len(arrays.use_offer), np.int64),
        np.zeros(len(arrays.combination_portion), np.int64),
    )
    for row, quantity in found.select("use_row", "quantity").iter_rows():
        if row not in use_of:
            return None
        used[use_of[row]] += quantity
    made_up = arrays.use_component >= 0
    pieces = _summed(arrays.use_component[made_up], used[made_up], len(arrays.component_combination))
    combinations[arrays.component_combination] = pieces // np.maximum(arrays.component_count, 1)
    filled = _summed(arrays.use_portion[~made_up], used[~made_up], len(arrays.need))
    unfilled = arrays.need - filled - _summed(arrays.combination_portion, combinations, len(arrays.need))
    return checked(problem, arrays, WholePlan(bought, used, unfilled, combinations))


def solution_of(problem: Problem, arrays: ProblemArrays, plan: WholePlan) -> dict[str, pl.DataFrame]:
    """The frames of a Solution: purchases, allocations and unfilled, sorted."""
    use = np.flatnonzero(plan.used > 0)
    allocations = problem.uses[arrays.use_row[use]].select(
        "portion_index",
        "offer_index",
        "combination_code",
        "component_part_code",
        pl.Series("quantity", plan.used[use], dtype=pl.Int64),
    )
    portion = np.flatnonzero(plan.unfilled > 0)
    unfilled = pl.DataFrame(
        {"portion_index": portion, "quantity": plan.unfilled[portion]},
        schema={"portion_index": pl.Int64, "quantity": pl.Int64},
    )
    purchases = purchases_of(arrays, plan).select("offer_index", "quantity").sort("offer_index")
    order = ["portion_index", "offer_index", "combination_code", "component_part_code"]
    return {"purchases": purchases, "allocations": allocations.sort(order), "unfilled": unfilled}
