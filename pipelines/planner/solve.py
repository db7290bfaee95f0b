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
from dataclasses import replace
from fractions import Fraction

import numpy as np

from pipelines.errors import PlanRefusedError
from pipelines.planner.bounds.relaxation import Root, solved_root
from pipelines.planner.planning_state import EFFORTS, PLAIN_TREE, PROVEN_WITHIN, Planning, pieces_of
from pipelines.planner.plans.whole_plan import WholePlan, checked, nothing, plan_from, solution_of
from pipelines.planner.program import linear
from pipelines.planner.reduction.reduce import least_unfilled, undominated
from pipelines.planner.search.vendor_sets import ground_of, improve
from pipelines.planner.statement.compiled import Compiled, Flags
from pipelines.planner.statement.compiling import compile_problem
from pipelines.planner.statement.problem import Problem, Solution
from pipelines.planner.statement.shared_stock import first_orders, supply_of
from pipelines.planner.whole_market import MARKET_EFFORTS, first_factors, is_market, search_market

BOUND_MARGIN = Fraction(1, 10**5)
"""Taken off every bound for the solver's tolerances."""

TINY = 300
"""Uses and price steps up to which the whole program is solved at once, without branching on the relaxation before."""

BUDGET_SHARE, BUDGET_LEAST = 0.03, 5.0
"""How far above its linear bound a relaxation's optimum is expected, as a share and in the buyer's currency: about one vendor's
charges. A smaller program holds when it is so, and the budget is the bound when it is not."""

BRANCHING_GAP = 5e-4
"""Branching on the relaxation ends this close to its optimum, as a share; it prunes what is so much dearer than the best plan."""


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
    planning = Planning(problem, compiled, effort, undominated(compiled))
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


def _plan(planning: Planning) -> None:
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


def _search_market(planning: Planning) -> None:
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


def _solve_at_once(planning: Planning) -> None:
    """With one vendor there are no vendors to choose among, so nothing to search for before the whole program."""
    planning.construct(planning.everyone, first_factors(planning.compiled))
    outcome = planning.solve_whole(planning.limit)
    if outcome.status != "infeasible" and planning.is_filled:
        planning.bound = max(planning.bound, outcome.bound)


def _solve_exactly(planning: Planning) -> None:
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


def _search(planning: Planning) -> None:
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


def _branch(planning: Planning, root: Root, nodes: int) -> None:
    """Branch on the relaxation: lifts the bound; its best solution becomes a plan."""
    budget = min(planning.budget, root.bound + max(BUDGET_SHARE * root.bound, BUDGET_LEAST))
    model = root.program_within(budget)
    cutoff = planning.budget * (
        1 + BRANCHING_GAP
    )  # the best plan is a solution of the relaxation: the optimum is below
    outcome = linear.solve(
        model.program, {**PLAIN_TREE, "mip_rel_gap": BRANCHING_GAP, "mip_max_nodes": nodes, "objective_bound": cutoff}
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
        planning.construct(chosen, root.factor, pieces_of(model, outcome.values))
        if root.has_stand_ins:
            planning.construct(chosen, root.factor)
