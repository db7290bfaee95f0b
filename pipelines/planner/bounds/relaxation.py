"""The linear relaxation, solved once per problem: a bound, what it uses of each vendor, and what no better plan can use."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipelines.planner.program import linear
from pipelines.planner.program.columns import ProgramOptions
from pipelines.planner.program.rows import PlanProgram, build_program
from pipelines.planner.reduction.dominated import cells_of, undominated
from pipelines.planner.reduction.stand_ins import ReducedUses, with_stand_ins
from pipelines.planner.statement.bands import VendorBands
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.tolerances import BUDGET_MARGIN

STAND_IN_DEPTH = 6.0
"""The uses cheaper than a stand-in could fill their cell so many times."""

STATED_UP_TO = 6_000
"""Up to so many uses are all stated, without stand-ins."""

SCALED = {"simplex_scale_strategy": 4}
"""Rows and columns scaled by their largest value: less time than with HiGHS's own choice."""


@dataclass(frozen=True)
class SolvedRelaxation:
    """The relaxation's optimum.

    Attributes:
        limit: most pieces left unfilled.
        uses: the uses that count in a relaxation.
        reduced: the cheap ones of them, and stand-ins for the others.
        has_stand_ins: whether the program states ``reduced`` instead of all ``uses``.
        values: of the program's columns.
        bound: every plan with so few pieces unfilled costs at least this.
        reduced_costs: of the program's columns.
        factor: what one more unit of goods costs, by vendor: less where it helps to reach a threshold.
    """

    arrays: ProblemArrays
    limit: int
    uses: Flags
    reduced: ReducedUses
    has_stand_ins: bool
    plan_program: PlanProgram
    values: Floats
    bound: float
    reduced_costs: Floats
    factor: Floats

    @property
    def vendor_shares(self) -> Floats:
        """How much of each vendor the relaxation uses, from 0 to 1."""
        return np.where(self.plan_program.vendor >= 0, self.values[self.plan_program.vendor], 0.0)

    @property
    def by_promise(self) -> Ints:
        """The vendors, those it uses most first, then those that would add least to the bound."""
        costs = np.where(self.plan_program.vendor >= 0, self.reduced_costs[self.plan_program.vendor], np.inf)
        return np.lexsort((costs, -self.vendor_shares))

    def within(self, budget: float, uses: Flags) -> tuple[Flags, Flags]:
        """The vendors, and those of some uses, that a plan within a budget can have.

        A plan uses whole pieces and whole vendors. So a plan with a column of reduced cost d costs at least d more than the
        bound. Where that is beyond the budget, every plan within the budget does without the column (Dantzig, Fulkerson &
        Johnson, Solution of a large-scale traveling-salesman problem, Operations Research 2 (1954) 393-410,
        doi 10.1287/opre.2.4.393).
        """
        room = budget * (1 + BUDGET_MARGIN) - self.bound
        vendors, kept = np.ones(len(self.plan_program.vendor), np.bool_), uses.copy()
        forced = self.arrays.vendors.is_forced  # their columns are never 0, so that their reduced costs mean nothing
        for columns, flags in ((self.plan_program.vendor, vendors), (self.plan_program.use, kept)):
            stated = columns >= 0
            flags[stated] &= self.reduced_costs[columns[stated]] <= room
        vendors |= forced
        return vendors, kept & vendors[self.arrays.offer_vendor[self.arrays.use_offer]]

    def program_within(self, budget: float) -> PlanProgram:
        """The relaxation for plans within a budget, with whole vendors."""
        if self.has_stand_ins:
            return self.plan_program
        vendors, uses = self.within(budget, self.uses)
        return build_program(self.arrays, ProgramOptions(vendors, uses, whole=False, unfilled_limit=self.limit))


def solve_relaxation(arrays: ProblemArrays, limit: int) -> SolvedRelaxation | None:
    """Solve the relaxation; None if it has no solution."""
    uses = undominated(arrays, in_relaxation=True)
    cells = cells_of(arrays, uses)
    reduced = with_stand_ins(arrays, uses, cells, np.full(len(cells.portion), STAND_IN_DEPTH))
    has_stand_ins = int(uses.sum()) > STATED_UP_TO
    everyone = np.ones(len(arrays.vendors), np.bool_)
    options = ProgramOptions(everyone, uses, whole=False, unfilled_limit=limit)
    if has_stand_ins:
        options = replace(
            options,
            uses=reduced.uses,
            stand_ins=reduced.stand_ins,
            fillers=reduced.fillers,
            loose_offers=reduced.loose,
        )
    plan_program = build_program(arrays, options)
    outcome = linear.solve(continuous(plan_program.program), SCALED)
    if outcome.values is None or outcome.row_duals is None:
        return None
    bound, reduced_costs = linear.priced_columns(plan_program.program, outcome.row_duals)
    factor = _effective_factors(arrays, plan_program, outcome.row_duals)
    return SolvedRelaxation(
        arrays, limit, uses, reduced, has_stand_ins, plan_program, outcome.values, bound, reduced_costs, factor
    )


def continuous(program: linear.Program) -> linear.Program:
    """The program without whole numbers."""
    return replace(program, is_integer=np.zeros_like(program.is_integer))


def _effective_factors(arrays: ProblemArrays, plan_program: PlanProgram, row_duals: Floats) -> Floats:
    """What one more unit of goods costs, by vendor: its factor, less what it is worth to the rows of the bands."""
    factor = np.array([_single_factor(terms) for terms in arrays.vendors.bands], np.float64)
    for number, rows in plan_program.rules.goods_rows.items():
        factor[number] -= row_duals[rows].sum()
    return factor


def _single_factor(terms: VendorBands) -> float:
    factors = {band.factor for band in terms.bands}
    return float(factors.pop()) if len(factors) == 1 else 0.0
