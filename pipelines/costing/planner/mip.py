"""Finds a purchase plan and a lower bound.

1. Bound: the linear relaxation of the strong program, in which dear uses stand behind stand-ins (reduce.py). It also says how
   much each vendor is wanted, and what goods are worth to vendors with thresholds.
2. Plan: a local search over sets of vendors (search.py); the best sets become plans in whole pieces (repair.py).
3. ``standard`` and ``deep`` branch on the relaxation, which lifts the bound and names another set of vendors.
4. Small problems (larger ones at more effort, all at ``deep``) end with the whole program, started from the best plan.

Every plan is priced by the receipt. Effort is counted in nodes and rounds, never in seconds; the safety limit on seconds only
guards against a solver that hangs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from pipelines.costing.planner import linear
from pipelines.costing.planner.compiled import Compiled, Flags, Floats, compile_problem
from pipelines.costing.planner.draft import ModelOptions
from pipelines.costing.planner.mip_model import Model, build_model
from pipelines.costing.planner.plan import Plan, checked, nothing, plan_from, read_plan, solution_of
from pipelines.costing.planner.problem import Problem, Solution
from pipelines.costing.planner.reduce import Front, cells_of, front_of, least_unfilled, undominated
from pipelines.costing.planner.repair import constructed
from pipelines.costing.planner.search import ground_of, improve
from pipelines.costing.planner.warm_start import start_values
from pipelines.errors import PlanRefusedError

BOUND_MARGIN = Fraction(1, 10**5)
"""Taken off every bound for the solver's tolerances."""

PROVEN_WITHIN = Fraction(1, 10**4)
"""A plan this close to its bound is proven: a hundredth of a cent, below what any currency can pay."""

COST_TOLERANCE = 1e-6
"""Receipt and program may differ by this, relative to the cost."""

STAND_IN_DEPTH = 6.0
"""How often the uses in front of a stand-in could fill their cell."""

UNFILLED_PENALTY = 20.0
"""Cost of an unfilled piece in a relaxation that only serves to find a plan; far above any piece's price."""

# Branching on the relaxation: HiGHS's own heuristics look for whole solutions of a program that is no plan.
_BRANCHING = {
    **{
        f"mip_heuristic_run_{name}": False
        for name in ("rins", "rens", "root_reduced_cost", "zi_round", "shifting", "feasibility_jump")
    },
    "mip_heuristic_effort": 0.0,
    "mip_pscost_minreliable": 0,
}


@dataclass(frozen=True)
class _Effort:
    """How far to go.

    Attributes:
        whole_up_to: uses and price steps up to which the whole program is solved.
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
    "quick": _Effort(300, 0, 20_000, 20, 20, 1),
    "standard": _Effort(1_500, 300, 20_000, 40, 30, 6),
    "deep": _Effort(math.inf, 20_000, 100_000, 100, 60, 12),
}


@dataclass
class _Planning:
    """The best plan so far, and the best bound for plans with at most ``limit`` pieces unfilled."""

    problem: Problem
    compiled: Compiled
    effort: str
    exact_uses: Flags
    best: Plan | None = None
    limit: int = 0
    bound: float = 0.0
    hit_time_limit: bool = False
    is_fewest: bool = True
    tried: set[bytes] = field(default_factory=set)

    @property
    def everyone(self) -> Flags:
        return np.ones(len(self.compiled.vendors), np.bool_)

    @property
    def is_small(self) -> bool:
        """Whether the whole program is solved."""
        size = len(self.compiled.use_offer) + len(self.compiled.step_offer)
        return size <= EFFORTS[self.effort].whole_up_to

    def offer(self, plan: Plan | None) -> None:
        """Keep a plan if it is better than the best."""
        if plan and (self.best is None or plan.rank(self.compiled) < self.best.rank(self.compiled)):
            self.best = plan

    def construct(self, vendors: Flags, factor: Floats) -> bool:
        """Make plans of a set of vendors: one from the relaxation's pieces and, unless quick, one from scratch.

        Returns:
            Whether one of them leaves no more unfilled than it must.
        """
        if vendors.tobytes() in self.tried or not vendors.any():
            return False
        self.tried.add(vendors.tobytes())
        plans = []
        if self.effort != "quick":
            plans.append(constructed(self.problem, self.compiled, self.exact_uses, vendors, None, factor))
        uses = undominated(self.compiled, in_relaxation=True)
        options = ModelOptions(
            vendors, uses, whole=False, unfilled_limit=int(self.compiled.need.sum()), penalty=UNFILLED_PENALTY
        )
        model = build_model(self.compiled, options)
        outcome = linear.solve(_continuous(model.program), {})
        if outcome.values is not None:
            shares = np.where(model.use >= 0, outcome.values[model.use], 0.0)
            plans.append(constructed(self.problem, self.compiled, self.exact_uses, vendors, shares, factor))
        for plan in plans:
            self.offer(plan)
        return any(plan is not None and plan.unfilled_count <= self.limit for plan in plans)

    def solve_whole(self, limit: int | None) -> linear.Outcome:
        """Solve the whole program from the best plan, and keep what it finds."""
        penalty = 1.0 if limit is None else 0.0
        model = build_model(
            self.compiled, ModelOptions(self.everyone, self.exact_uses, unfilled_limit=limit, penalty=penalty)
        )
        fits = self.best is not None and (limit is None or self.best.unfilled_count <= limit)
        start = start_values(model, self.best) if fits and self.best else None
        nodes = EFFORTS[self.effort].whole_nodes
        outcome = linear.solve(model.program, {"mip_rel_gap": 0.0, "mip_abs_gap": 1e-7, "mip_max_nodes": nodes}, start)
        self.hit_time_limit |= outcome.hit_time_limit
        if outcome.values is not None:
            plan = read_plan(model, outcome.values)
            plan = checked(self.problem, self.compiled, plan) if plan else None
            if plan and limit is not None:
                _must_agree(plan, model, outcome.values)
            self.offer(plan)
        return outcome


def solve(problem: Problem, effort: str, start: Solution | None = None) -> Solution:
    """A plan with few unfilled pieces and, for as many, a low landed cost, with a lower bound.

    On small problems, and where stock alone explains what is unfilled, the number unfilled is the least there is. The bound
    holds for all plans with at most as many unfilled pieces.

    Args:
        problem: what to buy.
        effort: quick, standard or deep.
        start: a known plan of this problem; the result is never worse.

    Raises:
        PlanRefusedError: receipt and program disagree, or no plan was found.
    """
    compiled = compile_problem(problem)
    planning = _Planning(problem, compiled, effort, undominated(compiled))
    planning.offer(checked(problem, compiled, nothing(compiled)))
    if start is not None:
        planning.offer(plan_from(problem, compiled, start))
    if len(compiled.use_offer):
        _plan(planning)
    plan = planning.best
    if plan is None:
        raise PlanRefusedError("no plan was found", next_step="report this problem to the maintainers")
    bound = min(plan.cost, max(Fraction(0), Fraction(planning.bound) - BOUND_MARGIN))
    is_proven = planning.is_fewest and plan.cost - bound <= PROVEN_WITHIN
    frames = solution_of(problem, compiled, plan)
    return Solution(
        frames["purchases"],
        frames["allocations"],
        frames["unfilled"],
        cost=plan.cost,
        lower_bound=plan.cost if is_proven else bound,
        is_proven=is_proven,
        hit_time_limit=planning.hit_time_limit,
    )


def _plan(planning: _Planning) -> None:
    compiled = planning.compiled
    planning.limit = least_unfilled(compiled)
    _search(planning)
    if planning.is_small:
        _solve_exactly(planning)
    elif planning.best is not None and planning.best.unfilled_count > planning.limit:
        # Rules, or the search's limits, keep more unfilled than stock alone does: the bound must hold for as many, and that
        # nothing fills more is not proven.
        planning.is_fewest = False
        planning.limit = planning.best.unfilled_count
        planning.bound = 0.0
        _search(planning)


def _solve_exactly(planning: _Planning) -> None:
    outcome = planning.solve_whole(planning.limit)
    if outcome.status == "infeasible" or planning.best is None or planning.best.unfilled_count > planning.limit:
        fewest = planning.solve_whole(None)
        if planning.best is None or planning.best.unfilled_count > np.ceil(fewest.bound - 1e-6):
            raise PlanRefusedError("the least number of pieces that can't be bought could not be proven")
        planning.limit, planning.bound = planning.best.unfilled_count, 0.0
        outcome = planning.solve_whole(planning.limit)
    if outcome.status != "infeasible":
        planning.bound = max(planning.bound, outcome.bound)


def _search(planning: _Planning) -> None:
    """Bound, wanted vendors, local search, plans."""
    compiled, effort = planning.compiled, EFFORTS[planning.effort]
    uses = undominated(compiled, in_relaxation=True)
    cells = cells_of(compiled, uses)
    front = front_of(compiled, uses, cells, np.full(len(cells.portion), STAND_IN_DEPTH))
    model = _relaxation(planning, front)
    relaxed = linear.solve(_continuous(model.program), {})
    if relaxed.values is None or relaxed.row_duals is None:
        return
    planning.bound = max(planning.bound, linear.safe_bound(model.program, relaxed.row_duals))
    wanted = np.where(model.vendor >= 0, relaxed.values[model.vendor], 0.0)
    factor = _effective_factors(compiled, model, relaxed.row_duals)
    order = np.argsort(-wanted, kind="stable")
    counted = np.arange(len(wanted))
    starts = [wanted > 0.5, wanted > 0.3, wanted > 0.2]
    starts += [np.isin(counted, order[:size]) for size in range(2, 13)]
    if effort.relaxation_nodes and not planning.is_small:
        starts.append(_branched(planning, model, effort.relaxation_nodes))
        planning.construct(starts[-1], factor)
    if planning.best is not None:
        own = np.zeros(len(wanted), np.bool_)
        own[planning.best.vendors(compiled)] = True
        starts.append(own)
    # Twice: with stand-ins' prices for what a set lacks, then at a price that no plan would pay.
    for stand_ins, considered in ((front.stand_ins, front.uses), (None, planning.exact_uses)):
        ground = ground_of(compiled, considered, stand_ins, factor)
        if not len(ground.offers):  # make-ups alone are left to the whole program
            return
        found = improve(ground, starts, order[: effort.candidates], effort.rounds, effort.sets)
        is_filled = [planning.construct(vendors, factor) for vendors in found.sets]
        if planning.effort == "quick" and any(is_filled):
            return
        starts = [*found.sets]
    if planning.best is None or planning.best.unfilled_count > planning.limit:
        planning.construct(wanted > 1e-6, factor)  # limits on orders can leave every set of the search short


def _relaxation(planning: _Planning, front: Front) -> Model:
    return build_model(
        planning.compiled,
        ModelOptions(
            planning.everyone,
            front.uses,
            whole=False,
            unfilled_limit=planning.limit,
            relaxation=front.stand_ins,
            fillers=front.fillers,
            loose_offers=front.loose,
        ),
    )


def _branched(planning: _Planning, model: Model, nodes: int) -> Flags:
    """Branch on the relaxation: lifts the bound, and gives the vendors of its best solution."""
    options = {**_BRANCHING, "mip_rel_gap": 1e-6, "mip_max_nodes": nodes}
    outcome = linear.solve(model.program, options)
    planning.hit_time_limit |= outcome.hit_time_limit
    if outcome.status in ("optimal", "feasible", "unknown") and np.isfinite(outcome.bound):
        planning.bound = max(planning.bound, outcome.bound)
    chosen = np.zeros(len(model.vendor), np.bool_)
    if outcome.values is not None:
        chosen[(model.vendor >= 0) & (outcome.values[model.vendor] > 0.5)] = True
    return chosen


def _effective_factors(compiled: Compiled, model: Model, row_duals: Floats) -> Floats:
    """What one more unit of goods costs, by vendor: less where it helps to reach a threshold."""
    factor = np.array([_single_factor(vendor) for vendor in compiled.vendors.bands], np.float64)
    for number, rows in model.rules.goods_rows.items():
        factor[number] -= row_duals[rows].sum()
    return factor


def _single_factor(vendor: object) -> float:
    factors = {band.factor for band in vendor.bands}  # type: ignore[attr-defined]
    return float(factors.pop()) if len(factors) == 1 else 0.0


def _continuous(program: linear.Program) -> linear.Program:
    return replace(program, is_integer=np.zeros_like(program.is_integer))


def _must_agree(plan: Plan, model: Model, values: Floats) -> None:
    stated = float(np.dot(model.program.cost, values))
    if abs(float(plan.cost) - stated) > COST_TOLERANCE * max(1.0, abs(stated)) + 1e-5:
        raise PlanRefusedError(
            "receipt and optimiser disagree about a plan's cost", where=f"{float(plan.cost)} and {stated}"
        )
