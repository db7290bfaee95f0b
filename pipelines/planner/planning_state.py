"""What is known while a plan is made: the best plan so far, the best bound, how far to go, and the steps that better the plan."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from pipelines.errors import PlanRefusedError
from pipelines.planner.bounds.relaxation import Root, continuous
from pipelines.planner.plans.warm_start import start_values
from pipelines.planner.plans.whole_plan import WholePlan, checked, read_plan
from pipelines.planner.program import linear
from pipelines.planner.program.columns import ModelOptions
from pipelines.planner.program.rows import PlanProgram, build_model
from pipelines.planner.reduction.reduce import undominated
from pipelines.planner.search.repair import constructed
from pipelines.planner.statement.compiled import Compiled, Flags, Floats
from pipelines.planner.statement.problem import Problem
from pipelines.planner.statement.shared_stock import with_further_orders

PROVEN_WITHIN = Fraction(1, 10**4)
"""A plan this close to its bound is proven: a hundredth of a cent, below what any currency can pay."""

WHOLE_GAP = float(PROVEN_WITHIN) / 4
"""The whole program ends this close to its bound: near enough to prove the plan."""

COST_TOLERANCE = 1e-6
"""Landed cost and program may differ by this, relative to the cost."""

UNFILLED_PENALTY = 20.0
"""Cost of an unfilled piece in a relaxation that only serves to find a plan; far above any piece's price."""

# HiGHS's own heuristics look for what the search has found already, or for whole solutions of a program that is no plan; its
# restarts cut again what is cut already. Without them both kinds of program take about half the time.
PLAIN_TREE = {
    **{
        f"mip_heuristic_run_{name}": False
        for name in ("rins", "rens", "root_reduced_cost", "zi_round", "shifting", "feasibility_jump")
    },
    "mip_heuristic_effort": 0.0,
    "mip_pscost_minreliable": 0,
    "mip_allow_restart": False,
}


@dataclass(frozen=True)
class Effort:
    """How far to go.

    Attributes:
        whole_up_to: uses and price steps that a plan may still need, up to which the whole program is solved.
        relaxation_nodes, whole_nodes: nodes for the relaxation and for the whole program.
        rounds, candidates, sets: rounds and vendors of the local search, and sets of vendors made into plans.
    """

    whole_up_to: float
    relaxation_nodes: int
    whole_nodes: int
    rounds: int
    candidates: int
    sets: int


EFFORTS = {
    "quick": Effort(300, 0, 20_000, 8, 12, 1),
    "standard": Effort(800, 300, 1_000, 15, 20, 4),
    "deep": Effort(math.inf, 20_000, 100_000, 100, 60, 12),
}


@dataclass
class Planning:
    """The best plan so far, and the best bound for plans with at most ``limit`` pieces unfilled."""

    problem: Problem
    compiled: Compiled
    effort: str
    exact_uses: Flags
    best: WholePlan | None = None
    limit: int = 0
    bound: float = 0.0
    hit_time_limit: bool = False
    is_fewest: bool = True
    root: Root | None = None
    tried: set[bytes] = field(default_factory=set)

    @property
    def everyone(self) -> Flags:
        """All vendors."""
        return np.ones(len(self.compiled.vendors), np.bool_)

    @property
    def is_filled(self) -> bool:
        """Whether the best plan leaves no more unfilled than it must."""
        return self.best is not None and self.best.unfilled_count <= self.limit

    @property
    def is_proven(self) -> bool:
        """Whether the best plan is as good as the bound."""
        return self.best is not None and self.is_filled and self.best.cost - Fraction(self.bound) <= PROVEN_WITHIN / 2

    @property
    def budget(self) -> float:
        """What the best plan costs; without bound while it leaves too much unfilled."""
        return float(self.best.cost) if self.best is not None and self.is_filled else math.inf

    @property
    def is_small(self) -> bool:
        """Whether the whole program is solved."""
        return self.size(self.exact_uses if self.root is None else self.needed[1]) <= EFFORTS[self.effort].whole_up_to

    @property
    def has_one_vendor(self) -> bool:
        """Whether all offers are one vendor's."""
        return len(np.unique(self.compiled.offer_vendor)) == 1

    @property
    def needed(self) -> tuple[Flags, Flags]:
        """Vendors and uses that a plan no dearer than the best may use."""
        if self.root is None or self.root.limit != self.limit:
            return self.everyone, self.exact_uses
        return self.root.within(self.budget, self.exact_uses)

    def size(self, uses: Flags) -> int:
        """How many uses, and price steps of their offers."""
        is_used = np.zeros(len(self.compiled.offer_row), np.bool_)
        is_used[self.compiled.use_offer[uses]] = True
        return int(uses.sum() + is_used[self.compiled.step_offer].sum())

    def offer(self, plan: WholePlan | None) -> None:
        """Keep a plan if it is better than the best."""
        if plan and (self.best is None or plan.rank(self.compiled) < self.best.rank(self.compiled)):
            self.best = plan

    def construct(self, vendors: Flags, factor: Floats, shares: Floats | None = None) -> bool:
        """Make a plan of a set of vendors, from scratch or from a relaxation's pieces by use.

        Returns:
            Whether it leaves no more unfilled than it must.
        """
        key = vendors.tobytes() + (b"" if shares is None else shares.tobytes())
        if key in self.tried or not vendors.any():
            return False
        self.tried.add(key)
        plan = constructed(self.problem, self.compiled, self.exact_uses, vendors, shares, factor)
        self.offer(plan)
        return plan is not None and plan.unfilled_count <= self.limit

    def construct_each(self, sets: Flags, factor: Floats) -> bool:
        """Make plans of sets of first orders: with these alone, and with the vendors' further orders as well.

        Returns:
            Whether one leaves no more unfilled than it must.
        """
        is_filled = False
        for vendors in sets:
            for allowed in (vendors, with_further_orders(self.compiled, vendors)):
                is_filled |= self.construct(allowed, factor)
        return is_filled

    def construct_from_program(self, vendors: Flags, factor: Floats) -> None:
        """Make a plan of a set of vendors from its own linear program, in which the vendors' limits hold."""
        uses = undominated(self.compiled, in_relaxation=True)
        vendors = vendors | self.compiled.vendors.is_forced
        options = ModelOptions(
            vendors, uses, whole=False, unfilled_limit=int(self.compiled.need.sum()), penalty=UNFILLED_PENALTY
        )
        model = build_model(self.compiled, options)
        outcome = linear.solve(continuous(model.program), {})
        if outcome.values is not None:
            self.construct(vendors, factor, pieces_of(model, outcome.values))

    def solve_whole(self, limit: int | None) -> linear.Outcome:
        """Solve the whole program from the best plan, and keep what it finds."""
        penalty = 1.0 if limit is None else 0.0
        budget = self.budget if limit == self.limit else math.inf
        vendors, uses = self.needed if budget < math.inf else (self.everyone, self.exact_uses)
        model = build_model(self.compiled, ModelOptions(vendors, uses, unfilled_limit=limit, penalty=penalty))
        fits = self.best is not None and (limit is None or self.best.unfilled_count <= limit)
        start = start_values(model, self.best) if fits and self.best else None
        nodes = EFFORTS[self.effort].whole_nodes
        options = {**PLAIN_TREE, "mip_rel_gap": 0.0, "mip_abs_gap": WHOLE_GAP, "mip_max_nodes": nodes}
        outcome = linear.solve(model.program, options, start)
        self.hit_time_limit |= outcome.hit_time_limit
        if outcome.values is not None:
            plan = read_plan(model, outcome.values)
            plan = checked(self.problem, self.compiled, plan) if plan else None
            if plan and limit is not None:
                _must_agree(plan, model, outcome.values)
            self.offer(plan)
        # What was left out costs at least the budget.
        return outcome if outcome.status == "infeasible" else replace(outcome, bound=min(outcome.bound, budget))


def pieces_of(model: PlanProgram, values: Floats) -> Floats:
    """Pieces by use."""
    return np.where(model.use >= 0, values[model.use], 0.0)


def _must_agree(plan: WholePlan, model: PlanProgram, values: Floats) -> None:
    stated = float(np.dot(model.program.cost, values))
    if abs(float(plan.cost) - stated) > COST_TOLERANCE * max(1.0, abs(stated)) + 1e-5:
        raise PlanRefusedError(
            "landed cost and optimiser disagree about a plan's cost", where=f"{float(plan.cost)} and {stated}"
        )
