"""Finds a purchase plan and a lower bound: linear relaxation, a program over the vendors it uses, and the whole program.

The relaxation gives a bound and says which vendors matter; a program restricted to those gives a plan quickly. On large
problems ``quick`` and ``standard`` stop there; else the whole program goes on from that plan. Pieces left unfilled are limited to what stock alone
forces; only if that can't be met is their least number worked out first. Every plan is priced by the receipt.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from pipelines.costing.planner import linear
from pipelines.costing.planner.compiled import Compiled, Flags, compile_problem
from pipelines.costing.planner.draft import ModelOptions
from pipelines.costing.planner.mip_model import Model, build_model
from pipelines.costing.planner.plan import Plan, checked, nothing, plan_from, read_plan, solution_of
from pipelines.costing.planner.problem import Problem, Solution
from pipelines.costing.planner.reduce import behind_stand_ins, cells_of, undominated
from pipelines.costing.planner.warm_start import start_values
from pipelines.errors import PlanRefusedError

BOUND_MARGIN = Fraction(1, 10**5)
"""Taken off every bound for the solver's tolerances."""

PROVEN_WITHIN = Fraction(1, 10**4)
"""A plan this close to its bound is proven: a hundredth of a cent, below what any currency can pay."""

COST_TOLERANCE = 1e-6
"""Receipt and program may differ by this, relative to the cost."""

RELATIVE_GAPS = {"quick": 5e-3, "standard": 1e-6, "deep": 0.0}
NODES = {"quick": 5, "standard": 50, "deep": 20_000}
VENDORS_KEPT = {"quick": 8, "standard": 10, "deep": 14}
STAND_IN_DEPTH = 6.0
"""How often the uses in front of a stand-in could fill their portion."""

SMALL_PROGRAM = 2_500
"""Columns up to which every effort solves the whole program; beyond, only ``deep`` does when there is a plan."""


@dataclass
class _Search:
    """The best plan so far, and the best bound for as few unfilled pieces."""

    problem: Problem
    compiled: Compiled
    effort: str
    uses: Flags
    best: Plan | None = None
    bound: float = 0.0
    hit_time_limit: bool = False

    def offer(self, plan: Plan | None) -> None:
        """Keep a plan if it is better than the best."""
        if plan and (self.best is None or plan.rank(self.compiled) < self.best.rank(self.compiled)):
            self.best = plan

    def model(self, vendors: Flags, limit: int | None, *, penalty: float = 0.0) -> Model:
        """The program over some vendors, with at most ``limit`` pieces unfilled."""
        uses = self.uses & vendors[self.compiled.offer_vendor[self.compiled.use_offer]]
        return build_model(self.compiled, ModelOptions(vendors, uses, unfilled_limit=limit, penalty=penalty))

    def run(self, model: Model, nodes: int, gap: float) -> linear.Outcome:
        """Solve a program from the best plan, and keep what it finds."""
        start = start_values(model, self.best) if self.best else None
        options = {"mip_rel_gap": gap, "mip_abs_gap": 1e-7, "mip_max_nodes": nodes}
        outcome = linear.solve(model.program, options, start)
        self.hit_time_limit |= outcome.hit_time_limit
        if outcome.values is not None:
            plan = read_plan(model, outcome.values)
            plan = checked(self.problem, self.compiled, plan) if plan else None
            if plan and model.options.unfilled_limit is not None:
                _must_agree(plan, model, outcome)
            self.offer(plan)
        return outcome


def solve(problem: Problem, effort: str, start: Solution | None = None) -> Solution:
    """A plan with the fewest unfilled pieces and, among those, a low landed cost, with a lower bound.

    Args:
        problem: what to buy.
        effort: quick (bound of the linear relaxation), standard or deep (the whole program, to a number of nodes).
        start: a known plan of this problem; the result is never worse.

    Raises:
        PlanRefusedError: receipt and program disagree, or no plan could be read from the solver.
    """
    compiled = compile_problem(problem)
    search = _Search(problem, compiled, effort, undominated(compiled))
    if start is not None:
        search.offer(plan_from(problem, compiled, start))
    everyone = np.ones(len(compiled.vendors), bool)
    if not len(compiled.use_offer):
        search.offer(checked(problem, compiled, nothing(compiled)))
    else:
        _plan(search, everyone)
    if search.best is None:
        raise PlanRefusedError("the solver found no plan", next_step="report this problem to the maintainers")
    plan = search.best
    bound = min(plan.cost, max(Fraction(0), Fraction(search.bound) - BOUND_MARGIN))
    is_proven = plan.cost - bound <= PROVEN_WITHIN
    return Solution(
        **solution_of(problem, compiled, plan),
        cost=plan.cost,
        lower_bound=plan.cost if is_proven else bound,
        is_proven=is_proven,
        hit_time_limit=search.hit_time_limit,
    )


def _plan(search: _Search, everyone: Flags) -> None:
    limit = _forced_unfilled(search.compiled)
    whole = _with_stand_ins(search, everyone, limit)
    relaxed = linear.solve(_relaxation(whole.program), {})
    if relaxed.status != "optimal" or relaxed.values is None or relaxed.row_duals is None:
        limit = _fewest_unfilled(search, everyone)
        whole = _with_stand_ins(search, everyone, limit)
        relaxed = linear.solve(_relaxation(whole.program), {})
    if relaxed.values is not None and relaxed.row_duals is not None:
        search.bound = linear.safe_bound(whole.program, relaxed.row_duals)
        shares = relaxed.values[whole.vendor]
        kept = np.zeros(len(everyone), bool)
        kept[np.argsort(-shares, kind="stable")[: VENDORS_KEPT[search.effort]]] = True
        if not kept.all():
            search.run(search.model(kept, limit), NODES[search.effort], RELATIVE_GAPS[search.effort])
    is_filled = search.best is not None and search.best.unfilled_count <= limit
    whole = search.model(everyone, limit)
    is_large = len(whole.program.cost) > SMALL_PROGRAM
    if is_filled and is_large and search.effort != "deep":
        return
    effort = search.effort if is_large or search.effort == "deep" else "standard"
    outcome = search.run(whole, NODES[effort], RELATIVE_GAPS[effort])
    if outcome.status == "infeasible" or search.best is None or search.best.unfilled_count > limit:
        limit = _fewest_unfilled(search, everyone)
        search.bound = 0.0
        outcome = search.run(search.model(everyone, limit), NODES[effort], RELATIVE_GAPS[effort])
    search.bound = max(search.bound, outcome.bound)


def _with_stand_ins(search: _Search, everyone: Flags, limit: int) -> Model:
    """The program with dear uses behind stand-ins: smaller, and its relaxation's value still a lower bound."""
    compiled = search.compiled
    cells = cells_of(compiled, search.uses)
    if not len(cells.use):
        return search.model(everyone, limit)
    uses, stand_ins = behind_stand_ins(compiled, search.uses, cells, np.full(len(cells.portion), STAND_IN_DEPTH))
    return build_model(compiled, ModelOptions(everyone, uses, unfilled_limit=limit, relaxation=stand_ins))


def _forced_unfilled(compiled: Compiled) -> int:
    """Pieces that stock alone leaves unfilled, portion by portion; more may be, never fewer."""
    direct = compiled.use_makeup < 0
    most = np.minimum(compiled.offer_most[compiled.use_offer], compiled.use_want)
    stock = np.bincount(compiled.use_portion[direct], most[direct], len(compiled.need))
    made = np.zeros(len(compiled.need), bool)
    made[compiled.makeup_portion] = True
    return int(np.where(made, 0, np.maximum(compiled.need - stock, 0)).sum())


def _fewest_unfilled(search: _Search, everyone: Flags) -> int:
    """The least number of unfilled pieces under every rule.

    Raises:
        PlanRefusedError: it could not be proven.
    """
    outcome = search.run(search.model(everyone, None, penalty=1.0), NODES["deep"], 0.0)
    if search.best is None or search.best.unfilled_count > np.ceil(outcome.bound - 1e-6):
        raise PlanRefusedError(
            "the least number of pieces that can't be bought could not be proven", next_step="plan with effort deep"
        )
    return search.best.unfilled_count


def _relaxation(program: linear.Program) -> linear.Program:
    return linear.Program(
        **{**program.__dict__, "is_integer": np.zeros(len(program.is_integer), bool)},
    )


def _must_agree(plan: Plan, model: Model, outcome: linear.Outcome) -> None:
    stated = float(np.dot(model.program.cost, outcome.values)) if outcome.values is not None else 0.0
    if abs(float(plan.cost) - stated) > COST_TOLERANCE * max(1.0, abs(stated)) + 1e-5:
        raise PlanRefusedError(
            "receipt and optimiser disagree about a plan's cost", where=f"{float(plan.cost)} and {stated}"
        )
