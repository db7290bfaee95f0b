"""The linear relaxation, solved once per problem: a bound, how much each vendor is needed, and what no better plan can use.

A plan uses whole pieces and whole vendors. So one that uses a column with reduced cost d costs at least d more than the bound,
and where that is beyond a budget, every plan within the budget does without it (reduced-cost fixing: Dantzig, Fulkerson &
Johnson, Solution of a large-scale traveling-salesman problem, Operations Research 2 (1954) 393-410).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipelines.planner.program import linear
from pipelines.planner.program.columns import ModelOptions
from pipelines.planner.program.rows import PlanProgram, build_model
from pipelines.planner.reduction.dominated import cells_of, undominated
from pipelines.planner.reduction.stand_ins import Front, front_of
from pipelines.planner.statement.columns_as_arrays import Flags, Floats
from pipelines.planner.statement.problem_arrays import Compiled

STAND_IN_DEPTH = 6.0
"""How often the uses in front of a stand-in could fill their cell."""

STATED_UP_TO = 6_000
"""Uses up to which none stands behind a stand-in."""

SCALED = {"simplex_scale_strategy": 4}
"""Rows and columns scaled by their largest value: a sixth less time than HiGHS's own choice on 96 relaxations of the demo."""

BUDGET_MARGIN = 1e-4
"""Added to every budget, for rounding."""


@dataclass(frozen=True)
class Root:
    """The relaxation's optimum.

    Attributes:
        limit: most pieces left unfilled.
        uses: the uses that count in a relaxation; ``front`` some of them, and stand-ins for the others.
        has_stand_ins: whether the program states the front alone.
        values: of the program's columns.
        bound: every plan with so few pieces unfilled costs as much, in the buyer's currency.
        reduced: reduced costs of the columns.
        factor: what one more unit of goods costs, by vendor: less where it helps to reach a threshold.
    """

    compiled: Compiled
    limit: int
    uses: Flags
    front: Front
    has_stand_ins: bool
    model: PlanProgram
    values: Floats
    bound: float
    reduced: Floats
    factor: Floats

    @property
    def needed(self) -> Floats:
        """Shares of vendors."""
        return np.where(self.model.vendor >= 0, self.values[self.model.vendor], 0.0)

    def within(self, budget: float, uses: Flags) -> tuple[Flags, Flags]:
        """Vendors, and those of some uses, that plans costing no more than a budget may use."""
        room = budget - self.bound + BUDGET_MARGIN
        vendors, kept = np.ones(len(self.model.vendor), np.bool_), uses.copy()
        forced = self.compiled.vendors.is_forced  # their columns are never 0, so that their reduced costs say nothing
        for columns, flags in ((self.model.vendor, vendors), (self.model.use, kept)):
            stated = columns >= 0
            flags[stated] &= self.reduced[columns[stated]] <= room
        vendors |= forced
        return vendors, kept & vendors[self.compiled.offer_vendor[self.compiled.use_offer]]

    def program_within(self, budget: float) -> PlanProgram:
        """The relaxation for plans that cost no more than a budget."""
        if self.has_stand_ins:
            return self.model
        vendors, uses = self.within(budget, self.uses)
        return build_model(self.compiled, ModelOptions(vendors, uses, whole=False, unfilled_limit=self.limit))


def solved_root(compiled: Compiled, limit: int) -> Root | None:
    """Solve the relaxation; None if it has no solution."""
    uses = undominated(compiled, in_relaxation=True)
    cells = cells_of(compiled, uses)
    front = front_of(compiled, uses, cells, np.full(len(cells.portion), STAND_IN_DEPTH))
    has_stand_ins = int(uses.sum()) > STATED_UP_TO
    everyone = np.ones(len(compiled.vendors), np.bool_)
    options = ModelOptions(everyone, uses, whole=False, unfilled_limit=limit)
    if has_stand_ins:
        options = replace(
            options, uses=front.uses, relaxation=front.stand_ins, fillers=front.fillers, loose_offers=front.loose
        )
    model = build_model(compiled, options)
    outcome = linear.solve(continuous(model.program), SCALED)
    if outcome.values is None or outcome.row_duals is None:
        return None
    bound, reduced = linear.priced_columns(model.program, outcome.row_duals)
    factor = _effective_factors(compiled, model, outcome.row_duals)
    return Root(compiled, limit, uses, front, has_stand_ins, model, outcome.values, bound, reduced, factor)


def continuous(program: linear.Program) -> linear.Program:
    """The program without whole numbers."""
    return replace(program, is_integer=np.zeros_like(program.is_integer))


def _effective_factors(compiled: Compiled, model: PlanProgram, row_duals: Floats) -> Floats:
    factor = np.array([_single_factor(vendor) for vendor in compiled.vendors.bands], np.float64)
    for number, rows in model.rules.goods_rows.items():
        factor[number] -= row_duals[rows].sum()
    return factor


def _single_factor(vendor: object) -> float:
    factors = {band.factor for band in vendor.bands}  # type: ignore[attr-defined]
    return float(factors.pop()) if len(factors) == 1 else 0.0
