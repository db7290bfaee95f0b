"""The stages of planning, each of which betters the best plan or raises its bound."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from pipelines.errors import PlanRefusedError
from pipelines.planner.best_so_far import BestSoFar
from pipelines.planner.bounds.relaxation import SolvedRelaxation, continuous, solve_relaxation
from pipelines.planner.plans.warm_start import start_values
from pipelines.planner.plans.whole_plan import checked, read_plan
from pipelines.planner.program import linear
from pipelines.planner.program.columns import ProgramOptions
from pipelines.planner.program.rows import PlanProgram, build_program
from pipelines.planner.reduction.dominated import undominated
from pipelines.planner.search.vendor_sets import improve, searched_uses
from pipelines.planner.statement.columns_as_arrays import Flags, Floats
from pipelines.planner.statement.shared_stock import first_orders, usable_stock
from pipelines.planner.statement.tolerances import COST_AGREES, WHOLE_GAP
from pipelines.planner.whole_market import first_factors, search_market

TINY = 300
"""Up to so many uses and price steps the whole program is solved at once, without branching on the relaxation before."""

NEARBY = 1.3
"""Where a plan's pieces are chosen anew among its vendors: uses up to so many times as dear as the portion's dearest piece now."""

NEARBY_OPTIONS = {"mip_max_nodes": 1, "mip_rel_gap": 1e-3, "mip_heuristic_effort": 0.1}
"""HiGHS's cuts and heuristics at the root find nearly all that there is to find; its tree takes long for the rest."""

BRANCHING_GAP = 5e-4
"""Branching on the relaxation ends this close to its optimum, as a share; it drops what is so much dearer than the best plan."""

FEW_VENDORS = 8
"""The first tree is over so many vendors, those that the relaxation uses most, and those of the best plan."""

FEW_VENDORS_NODES = 60
"""Nodes of that tree, at most."""

FEW_VENDORS_GAP = 1e-3
"""A tree over a few vendors ends this close to its optimum, as a share: vendors left out matter more."""

# HiGHS's own heuristics look for what the search has found already, or for whole solutions of a program that is no plan; its
# restarts cut again what is cut already. Without them every kind of program takes about half the time.
_PLAIN_TREE = {
    **{
        f"mip_heuristic_run_{name}": False
        for name in ("rins", "rens", "root_reduced_cost", "zi_round", "shifting", "feasibility_jump")
    },
    "mip_heuristic_effort": 0.0,
    "mip_pscost_minreliable": 0,
    "mip_allow_restart": False,
}
# Vendors' rows have no symmetry worth its search, and cuts below the root close less than they cost.
_VENDOR_TREE = {**_PLAIN_TREE, "mip_detect_symmetry": False, "mip_allow_cut_separation_at_nodes": False}


def search_whole_market(so_far: BestSoFar) -> None:
    """Search and bound by vendors instead of by the program's columns, where many vendors sell."""
    factor = first_factors(so_far.arrays)

    def cost_with(vendors: Flags) -> float:
        """What the best plan costs once plans of these vendors are made."""
        if vendors.any() and vendors.tobytes() not in so_far.tried:
            so_far.construct(vendors, factor)
            _construct_from_program(so_far, vendors, factor)
        return so_far.budget

    def cost_better() -> float:
        """What the best plan costs once its pieces are chosen anew."""
        _solve_nearby(so_far)
        return so_far.budget

    found = search_market(so_far.arrays, so_far.exact_uses, so_far.limit, so_far.effort.market, cost_with, cost_better)
    so_far.raise_bound(found.value)
    so_far.hit_time_limit |= found.hit_time_limit


def bound_and_search(so_far: BestSoFar) -> None:
    """Solve the relaxation, search the sets of vendors near it, make plans of the best, and branch if effort allows."""
    relaxation = so_far.relaxation = solve_relaxation(so_far.arrays, so_far.limit)
    if relaxation is None:
        return
    so_far.raise_bound(relaxation.bound)
    if _search_sets(so_far, relaxation):
        return
    if not so_far.is_filled:  # limits on orders can leave every set short
        _construct_from_program(so_far, relaxation.vendor_shares > 1e-6, relaxation.factor)
    # The better the plan, the less is left to branch on: a tree over a few vendors betters it for little work.
    for branch in (_branch_among_few, _branch) if so_far.effort.branching_nodes else ():
        if so_far.size(so_far.still_possible[1]) > TINY and not so_far.is_proven:
            branch(so_far, relaxation)


def solve_at_once(so_far: BestSoFar) -> None:
    """With one vendor there are no sets of vendors to search: the whole program follows one constructed plan."""
    so_far.construct(so_far.everyone, first_factors(so_far.arrays))
    outcome = _solve_whole(so_far, so_far.limit)
    if outcome.status != "infeasible" and so_far.is_filled:
        so_far.raise_bound(outcome.bound)


def solve_exactly(so_far: BestSoFar) -> bool:
    """Solve the whole program: first for the least number of unfilled pieces if it is not known, then for the cost.

    Returns:
        Whether there is any plan that orders from every forced vendor.

    Raises:
        PlanRefusedError: the least number of unfilled pieces could not be proven.
    """
    outcome = _solve_whole(so_far, so_far.limit)
    if outcome.status == "infeasible" or so_far.plan is None or so_far.plan.unfilled_count > so_far.limit:
        fewest = _solve_whole(so_far, None)
        if fewest.status == "infeasible" and so_far.problem.forced_vendors:
            return False
        if so_far.plan is None or so_far.plan.unfilled_count > np.ceil(fewest.bound - 1e-6):
            raise PlanRefusedError("the least number of pieces that can't be bought could not be proven")
        so_far.restart_with_limit(so_far.plan.unfilled_count)
        outcome = _solve_whole(so_far, so_far.limit)
    if outcome.status != "infeasible":
        so_far.raise_bound(outcome.bound)
    return True


def _search_sets(so_far: BestSoFar, relaxation: SolvedRelaxation) -> bool:
    """Search from the vendors that the relaxation uses most, and make plans of the best sets.

    Returns:
        Whether nothing else should be tried: the effort ends here, or combinations alone are on offer.
    """
    arrays, effort, shares = so_far.arrays, so_far.effort.search, relaxation.vendor_shares
    # Only first orders are searched: how a vendor's pieces split into several orders is left to the plans.
    is_first = first_orders(arrays)
    by_share = np.argsort(-shares, kind="stable")
    by_share = by_share[is_first[by_share]]
    starts = [shares > 0.5, shares > 0.3, shares > 0.2]
    starts += [np.isin(np.arange(len(shares)), by_share[:size]) for size in range(2, 13)]
    if so_far.plan is not None:
        own = np.zeros(len(shares), np.bool_)
        own[so_far.plan.vendors(arrays)] = True
        starts.append(own)
    one_order = (
        arrays
        if arrays.sharing is None
        else replace(arrays, offer_most=np.maximum(usable_stock(arrays), arrays.offer_most))
    )
    # Twice: with stand-ins' prices for what a set lacks, then at a price that no plan would pay.
    for stand_ins, considered in ((relaxation.reduced.stand_ins, relaxation.reduced.uses), (None, so_far.exact_uses)):
        considered = considered & is_first[arrays.offer_vendor[arrays.use_offer]]
        searched = searched_uses(one_order, considered, stand_ins, relaxation.factor)
        if not len(searched.offers):  # combinations alone are left to the whole program
            return True
        starts = [start & is_first for start in starts]
        found = improve(searched, starts, by_share[: effort.candidates], effort.rounds, effort.sets)
        if so_far.construct_each(found.sets, relaxation.factor) and effort.ends_when_filled:
            return True
        starts = [*found.sets]
    return False


def _branch(so_far: BestSoFar, relaxation: SolvedRelaxation) -> None:
    """Branch on the relaxation: that raises the bound, and its best solution becomes a plan."""
    budget = so_far.budget
    plan_program = relaxation.program_within(budget)
    # The best plan is a solution of the relaxation, so that the optimum lies below.
    options = {
        **_VENDOR_TREE,
        "mip_rel_gap": BRANCHING_GAP,
        "mip_max_nodes": so_far.effort.branching_nodes,
        "objective_bound": budget * (1 + BRANCHING_GAP),
    }
    outcome = linear.solve(plan_program.program, options)
    so_far.hit_time_limit |= outcome.hit_time_limit
    if outcome.status == "infeasible" and budget < math.inf:
        so_far.raise_bound(budget)
    elif outcome.status != "infeasible" and np.isfinite(outcome.bound):
        so_far.raise_bound(min(outcome.bound, budget))
    _construct_from_tree(so_far, relaxation, plan_program, outcome)


def _branch_among_few(so_far: BestSoFar, relaxation: SolvedRelaxation) -> None:
    """Branch on the relaxation over a few vendors: that proves nothing, but finds a good plan for little work."""
    arrays = so_far.arrays
    promising = arrays.vendors.is_forced.copy()
    promising[relaxation.by_promise[:FEW_VENDORS]] = True
    if so_far.plan is not None:
        promising[so_far.plan.vendors(arrays)] = True
    vendors, uses = relaxation.within(so_far.budget, relaxation.uses)
    options = ProgramOptions(vendors & promising, uses, whole=False, unfilled_limit=so_far.limit)
    plan_program = build_program(arrays, options)
    tree = {
        **_VENDOR_TREE,
        "mip_rel_gap": FEW_VENDORS_GAP,
        "mip_max_nodes": FEW_VENDORS_NODES,
        "objective_bound": so_far.budget * (1 + BRANCHING_GAP),
    }
    outcome = linear.solve(plan_program.program, tree)
    so_far.hit_time_limit |= outcome.hit_time_limit
    _construct_from_tree(so_far, relaxation, plan_program, outcome)


def _construct_from_tree(
    so_far: BestSoFar, relaxation: SolvedRelaxation, plan_program: PlanProgram, outcome: linear.Outcome
) -> None:
    """Make a plan of the best solution of a tree on the relaxation, if it has one."""
    if outcome.values is None:
        return
    chosen = np.zeros(len(plan_program.vendor), np.bool_)
    chosen[(plan_program.vendor >= 0) & (outcome.values[plan_program.vendor] > 0.5)] = True
    so_far.construct(chosen, relaxation.factor, _pieces(plan_program, outcome.values))
    if relaxation.has_stand_ins:
        so_far.construct(chosen, relaxation.factor)


def _construct_from_program(so_far: BestSoFar, vendors: Flags, factor: Floats) -> None:
    """Make a plan of a set of vendors from its own linear program, in which the vendors' limits hold."""
    uses = undominated(so_far.arrays, in_relaxation=True)
    vendors = vendors | so_far.arrays.vendors.is_forced
    options = ProgramOptions(
        vendors, uses, whole=False, unfilled_limit=int(so_far.arrays.need.sum()), penalty=so_far.arrays.scale
    )
    plan_program = build_program(so_far.arrays, options)
    outcome = linear.solve(continuous(plan_program.program), {})
    if outcome.values is not None:
        so_far.construct(vendors, factor, _pieces(plan_program, outcome.values))


def _solve_whole(so_far: BestSoFar, limit: int | None) -> linear.Outcome:
    """Solve the whole program from the best plan, and keep the plan it finds.

    Args:
        so_far: what is left out of the program is what no plan within the best plan's cost can have.
        limit: most pieces unfilled; None to minimise their number instead of the cost.
    """
    penalty = 1.0 if limit is None else 0.0
    budget = so_far.budget if limit == so_far.limit else math.inf
    vendors, uses = so_far.still_possible if budget < math.inf else (so_far.everyone, so_far.exact_uses)
    plan_program = build_program(so_far.arrays, ProgramOptions(vendors, uses, unfilled_limit=limit, penalty=penalty))
    fits = so_far.plan is not None and (limit is None or so_far.plan.unfilled_count <= limit)
    start = start_values(plan_program, so_far.plan) if fits and so_far.plan else None
    nodes = so_far.effort.whole.nodes
    options = {**_PLAIN_TREE, "mip_rel_gap": WHOLE_GAP, "mip_abs_gap": 0.0, "mip_max_nodes": nodes}
    outcome = linear.solve(plan_program.program, options, start)
    so_far.hit_time_limit |= outcome.hit_time_limit
    if outcome.values is not None:
        plan = read_plan(plan_program, outcome.values)
        plan = checked(so_far.problem, so_far.arrays, plan) if plan else None
        if plan and limit is not None:
            _must_agree(float(plan.cost / so_far.arrays.money_unit), plan_program, outcome.values)
        so_far.offer(plan)
    # What was left out costs at least the budget.
    return outcome if outcome.status == "infeasible" else replace(outcome, bound=min(outcome.bound, budget))


def _solve_nearby(so_far: BestSoFar) -> None:
    """Choose the best plan's pieces anew by the whole program of its vendors, among uses that are not much dearer."""
    arrays, plan = so_far.arrays, so_far.plan
    if plan is None or not so_far.is_filled:
        return
    vendors = np.zeros(len(arrays.vendors), np.bool_)
    vendors[plan.vendors(arrays)] = True
    used, floor = plan.used > 0, arrays.offer_floor[arrays.use_offer]
    dearest = np.zeros(len(arrays.need))
    np.maximum.at(dearest, arrays.use_portion[used], floor[used])
    near = (arrays.use_combination >= 0) | (floor <= NEARBY * dearest[arrays.use_portion])
    uses = used | (so_far.exact_uses & near)
    plan_program = build_program(arrays, ProgramOptions(vendors, uses, unfilled_limit=so_far.limit))
    outcome = linear.solve(plan_program.program, NEARBY_OPTIONS, start_values(plan_program, plan))
    so_far.hit_time_limit |= outcome.hit_time_limit
    found = None if outcome.values is None else read_plan(plan_program, outcome.values)
    so_far.offer(checked(so_far.problem, arrays, found) if found else None)


def _pieces(plan_program: PlanProgram, values: Floats) -> Floats:
    """Pieces by use."""
    return np.where(plan_program.use >= 0, values[plan_program.use], 0.0)


def _must_agree(cost: float, plan_program: PlanProgram, values: Floats) -> None:
    stated = float(np.dot(plan_program.program.cost, values))
    if abs(cost - stated) > COST_AGREES * max(1.0, abs(stated)):
        raise PlanRefusedError(
            "landed cost and optimiser disagree about a plan's cost", where=f"{cost} and {stated} units of money"
        )
