"""Finds a purchase plan and a lower bound.

1. Bound: the linear relaxation of the strong program (root.py); on large problems dear uses stand behind stand-ins (reduce.py).
   It also says how much each vendor is needed, and what goods are worth to vendors with thresholds.
2. Plan: a local search over sets of vendors (search.py); the best sets become plans in whole pieces (repair.py).
3. ``standard`` and ``deep`` branch on the relaxation, which lifts the bound; its best solution becomes a plan, too.
4. Small problems (larger ones at more effort, all at ``deep``) end with the whole program, started from the best plan. What the
   relaxation says no better plan can use is left out of it; what is left decides whether it is small.

Every plan is priced by the landed cost. Effort is counted in nodes and rounds, never in seconds; the safety limit on seconds only
guards against a solver that hangs.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np

from pipelines.errors import PlanRefusedError
from pipelines.planner.bounds.relaxation import Root, continuous, solved_root
from pipelines.planner.plans.warm_start import start_values
from pipelines.planner.plans.whole_plan import WholePlan, checked, nothing, plan_from, read_plan, solution_of
from pipelines.planner.program import linear
from pipelines.planner.program.columns import ModelOptions
from pipelines.planner.program.rows import PlanProgram, build_model
from pipelines.planner.reduction.dominated import undominated
from pipelines.planner.reduction.unfilled import least_unfilled
from pipelines.planner.search.repair import constructed
from pipelines.planner.search.vendor_sets import ground_of, improve
from pipelines.planner.statement.columns_as_arrays import Flags, Floats
from pipelines.planner.statement.make_arrays import compile_problem
from pipelines.planner.statement.problem import Problem, Solution
from pipelines.planner.statement.problem_arrays import Compiled
from pipelines.planner.statement.shared_stock import first_orders, supply_of, with_further_orders
from pipelines.planner.whole_market import MARKET_EFFORTS, first_factors, is_market, search_market

BOUND_MARGIN = Fraction(1, 10**5)
"""Taken off every bound for the solver's tolerances."""

PROVEN_WITHIN = Fraction(1, 10**4)
"""A plan this close to its bound is proven: a hundredth of a cent, below what any currency can pay."""

WHOLE_GAP = float(PROVEN_WITHIN) / 4
"""The whole program ends this close to its bound: near enough to prove the plan."""

COST_TOLERANCE = 1e-6
"""Landed cost and program may differ by this, relative to the cost."""

TINY = 300
"""Uses and price steps up to which the whole program is solved at once, without branching on the relaxation before."""

UNFILLED_PENALTY = 20.0
"""Cost of an unfilled piece in a relaxation that only serves to find a plan; far above any piece's price."""

BUDGET_SHARE, BUDGET_LEAST = 0.03, 5.0
"""How far above its linear bound a relaxation's optimum is expected, as a share and in the buyer's currency: about one vendor's
charges. A smaller program holds when it is so, and the budget is the bound when it is not."""

# HiGHS's own heuristics look for what the search has found already, or for whole solutions of a program that is no plan; its
# restarts cut again what is cut already. Without them both kinds of program take about half the time.
_PLAIN_TREE = {
    **{
        f"mip_heuristic_run_{name}": False
        for name in ("rins", "rens", "root_reduced_cost", "zi_round", "shifting", "feasibility_jump")
    },
    "mip_heuristic_effort": 0.0,
    "mip_pscost_minreliable": 0,
    "mip_allow_restart": False,
}

BRANCHING_GAP = 5e-4
"""Branching on the relaxation ends this close to its optimum, as a share; it prunes what is so much dearer than the best plan."""


@dataclass(frozen=True)
class _Effort:
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
    "quick": _Effort(300, 0, 20_000, 8, 12, 1),
    "standard": _Effort(800, 300, 1_000, 15, 20, 4),
    "deep": _Effort(math.inf, 20_000, 100_000, 100, 60, 12),
}


@dataclass
class _Planning:
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
            self.construct(vendors, factor, _pieces(model, outcome.values))

    def solve_whole(self, limit: int | None) -> linear.Outcome:
        """Solve the whole program from the best plan, and keep what it finds."""
        penalty = 1.0 if limit is None else 0.0
        budget = self.budget if limit == self.limit else math.inf
        vendors, uses = self.needed if budget < math.inf else (self.everyone, self.exact_uses)
        model = build_model(self.compiled, ModelOptions(vendors, uses, unfilled_limit=limit, penalty=penalty))
        fits = self.best is not None and (limit is None or self.best.unfilled_count <= limit)
        start = start_values(model, self.best) if fits and self.best else None
        nodes = EFFORTS[self.effort].whole_nodes
        options = {**_PLAIN_TREE, "mip_rel_gap": 0.0, "mip_abs_gap": WHOLE_GAP, "mip_max_nodes": nodes}
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


def solve(problem: Problem, effort: str, start: Solution | None = None) -> Solution:
    """A plan with few unfilled pieces and, for as many, a low landed cost, with a lower bound.

    On small problems, and where stock alone explains what is unfilled, the number unfilled is the least there is. The bound
    holds for all plans with at most as many unfilled pieces.

    Args:
        problem: what to buy.
        effort: quick, standard or deep.
        start: a known plan of this problem; the result is never worse.

    Raises:
        PlanRefusedError: landed cost and program disagree, no plan orders from every forced vendor, or none was found.
    """
    _require_forced_offers(problem)
    compiled = compile_problem(problem)
    planning = _Planning(problem, compiled, effort, undominated(compiled))
    planning.offer(checked(problem, compiled, nothing(compiled)))
    if start is not None:
        planning.offer(plan_from(problem, compiled, start))
    if not compiled.vendors.is_forced[np.unique(compiled.offer_vendor)].sum() == len(problem.forced_vendors):
        raise _no_plan_of(problem.forced_vendors)
    if compiled.sharing is not None:
        planning.offer(_one_order_each(problem, compiled, effort))
    if len(compiled.use_offer):
        _plan(planning)
    plan = planning.best
    if plan is None:
        raise PlanRefusedError("no plan was found", next_step="report this problem to the maintainers")
    penalties = problem.penalties.of_all(compiled.vendors.codes[number] for number in plan.vendors(compiled))
    bound = min(plan.cost, max(Fraction(0), Fraction(planning.bound) - BOUND_MARGIN))
    is_proven = planning.is_fewest and plan.cost - bound <= PROVEN_WITHIN
    frames = solution_of(problem, compiled, plan)
    return Solution(
        frames["purchases"],
        frames["allocations"],
        frames["unfilled"],
        cost=plan.cost - penalties,
        lower_bound=max(Fraction(0), (plan.cost if is_proven else bound) - penalties),
        penalties=problem.penalties,
        is_proven=is_proven,
        hit_time_limit=planning.hit_time_limit,
    )


def _one_order_each(problem: Problem, compiled: Compiled, effort: str) -> WholePlan | None:
    """The plan that orders once from each vendor, so that leave to order again never makes a plan worse."""
    is_first = problem.offers["vendor_code"].is_in(np.array(compiled.vendors.codes)[first_orders(compiled)].tolist())
    rows = problem.offers["offer_index"].filter(is_first)
    try:
        found = solve(problem.of_offers(rows), effort)
    except PlanRefusedError:
        return None
    own = {name: getattr(found, name) for name in ("purchases", "allocations")}
    numbered = {name: frame.with_columns(offer_index=rows.gather(frame["offer_index"])) for name, frame in own.items()}
    return plan_from(problem, compiled, replace(found, **numbered))


def _plan(planning: _Planning) -> None:
    compiled = planning.compiled
    planning.limit = least_unfilled(compiled)
    if is_market(compiled):
        _search_market(planning)
        if planning.is_filled:
            return
    if planning.has_one_vendor and planning.is_small:
        _solve_at_once(planning)
    if not planning.is_proven:
        _search(planning)
    if planning.is_proven:
        return
    if planning.is_small or planning.best is None:
        _solve_exactly(planning)
    elif planning.best is not None and planning.best.unfilled_count > planning.limit:
        # Rules, or the search's limits, keep more unfilled than stock alone does: the bound must hold for as many, and that
        # nothing fills more is not proven.
        planning.is_fewest = False
        planning.limit = planning.best.unfilled_count
        planning.bound = 0.0
        _search(planning)


def _require_forced_offers(problem: Problem) -> None:
    if missing := problem.forced_vendors - set(problem.offers["vendor_code"].to_list()):
        raise _no_plan_of(missing)
    if problem.maximum_vendor_count is not None and len(problem.forced_vendors) > problem.maximum_vendor_count:
        raise _no_plan_of(problem.forced_vendors)


def _no_plan_of(vendor_codes: Collection[str]) -> PlanRefusedError:
    return PlanRefusedError(
        f"no plan has an order at every forced vendor: {', '.join(sorted(vendor_codes))}",
        next_step="look at what these vendors offer, their minimums, and the most vendors allowed; or force fewer",
    )


def _search_market(planning: _Planning) -> None:
    """Many vendors: vendors are searched and branched on, instead of the program's columns."""
    factor = first_factors(planning.compiled)

    def construct(vendors: Flags) -> float:
        if vendors.any() and vendors.tobytes() not in planning.tried:
            planning.construct(vendors, factor)
            planning.construct_from_program(vendors, factor)
        return planning.budget

    effort = MARKET_EFFORTS[planning.effort]
    found = search_market(planning.compiled, planning.exact_uses, planning.limit, effort, construct)
    planning.bound = max(planning.bound, found.value)
    planning.hit_time_limit |= found.hit_time_limit


def _solve_at_once(planning: _Planning) -> None:
    """With one vendor there are no vendors to choose among, so nothing to search for before the whole program."""
    planning.construct(planning.everyone, first_factors(planning.compiled))
    outcome = planning.solve_whole(planning.limit)
    if outcome.status != "infeasible" and planning.is_filled:
        planning.bound = max(planning.bound, outcome.bound)


def _solve_exactly(planning: _Planning) -> None:
    outcome = planning.solve_whole(planning.limit)
    if outcome.status == "infeasible" or planning.best is None or planning.best.unfilled_count > planning.limit:
        fewest = planning.solve_whole(None)
        if fewest.status == "infeasible" and planning.problem.forced_vendors:
            raise _no_plan_of(planning.problem.forced_vendors)
        if planning.best is None or planning.best.unfilled_count > np.ceil(fewest.bound - 1e-6):
            raise PlanRefusedError("the least number of pieces that can't be bought could not be proven")
        planning.limit, planning.bound = planning.best.unfilled_count, 0.0
        outcome = planning.solve_whole(planning.limit)
    if outcome.status != "infeasible":
        planning.bound = max(planning.bound, outcome.bound)


def _search(planning: _Planning) -> None:
    """Bound, needed vendors, local search, plans, branching."""
    compiled, effort = planning.compiled, EFFORTS[planning.effort]
    root = planning.root = solved_root(compiled, planning.limit)
    if root is None:
        return
    planning.bound = max(planning.bound, root.bound)
    needed, factor = root.needed, root.factor
    # Vendors are what is searched for: how their pieces split into several orders is left to the plans.
    first = first_orders(compiled)
    order = np.argsort(-needed, kind="stable")
    order = order[first[order]]
    counted = np.arange(len(needed))
    starts = [needed > 0.5, needed > 0.3, needed > 0.2]
    starts += [np.isin(counted, order[:size]) for size in range(2, 13)]
    if planning.best is not None:
        own = np.zeros(len(needed), np.bool_)
        own[planning.best.vendors(compiled)] = True
        starts.append(own)
    one_order = (
        compiled
        if compiled.sharing is None
        else replace(compiled, offer_most=np.maximum(supply_of(compiled), compiled.offer_most))
    )
    # Twice: with stand-ins' prices for what a set lacks, then at a price that no plan would pay.
    for stand_ins, considered in ((root.front.stand_ins, root.front.uses), (None, planning.exact_uses)):
        considered = considered & first[compiled.offer_vendor[compiled.use_offer]]
        ground = ground_of(one_order, considered, stand_ins, factor)
        if not len(ground.offers):  # combinations alone are left to the whole program
            return
        starts = [start & first for start in starts]
        found = improve(ground, starts, order[: effort.candidates], effort.rounds, effort.sets)
        if planning.construct_each(found.sets, factor) and planning.effort == "quick":
            return
        starts = [*found.sets]
    if not planning.is_filled:
        planning.construct_from_program(needed > 1e-6, factor)  # limits on orders can leave every set short
    if effort.relaxation_nodes and planning.size(planning.needed[1]) > TINY and not planning.is_proven:
        _branch(planning, root, effort.relaxation_nodes)


def _branch(planning: _Planning, root: Root, nodes: int) -> None:
    """Branch on the relaxation: lifts the bound; its best solution becomes a plan."""
    budget = min(planning.budget, root.bound + max(BUDGET_SHARE * root.bound, BUDGET_LEAST))
    model = root.program_within(budget)
    cutoff = planning.budget * (
        1 + BRANCHING_GAP
    )  # the best plan is a solution of the relaxation: the optimum is below
    outcome = linear.solve(
        model.program, {**_PLAIN_TREE, "mip_rel_gap": BRANCHING_GAP, "mip_max_nodes": nodes, "objective_bound": cutoff}
    )
    planning.hit_time_limit |= outcome.hit_time_limit
    limit = planning.budget if root.has_stand_ins else budget
    if outcome.status == "infeasible" and limit < math.inf:
        planning.bound = max(planning.bound, limit)
    elif outcome.status != "infeasible" and np.isfinite(outcome.bound):
        planning.bound = max(planning.bound, min(outcome.bound, limit))
    if outcome.values is not None:
        chosen = np.zeros(len(model.vendor), np.bool_)
        chosen[(model.vendor >= 0) & (outcome.values[model.vendor] > 0.5)] = True
        planning.construct(chosen, root.factor, _pieces(model, outcome.values))
        if root.has_stand_ins:
            planning.construct(chosen, root.factor)


def _pieces(model: PlanProgram, values: Floats) -> Floats:
    """Pieces by use."""
    return np.where(model.use >= 0, values[model.use], 0.0)


def _must_agree(plan: WholePlan, model: PlanProgram, values: Floats) -> None:
    stated = float(np.dot(model.program.cost, values))
    if abs(float(plan.cost) - stated) > COST_TOLERANCE * max(1.0, abs(stated)) + 1e-5:
        raise PlanRefusedError(
            "landed cost and optimiser disagree about a plan's cost", where=f"{float(plan.cost)} and {stated}"
        )
