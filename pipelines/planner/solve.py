"""Finds a purchase plan and a lower bound: the recipe, stage by stage.

Every plan is checked piece by piece and priced by the landed cost. Effort is counted in nodes and rounds (efforts.py), never in
seconds; the safety limit on seconds only guards against a solver that hangs. docs/how-the-planner-works.md says why it is done so.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from fractions import Fraction

import numpy as np

from pipelines.errors import PlanRefusedError
from pipelines.planner import stages
from pipelines.planner.best_so_far import BestSoFar
from pipelines.planner.bounds.relaxation import solve_relaxation
from pipelines.planner.efforts import EFFORTS
from pipelines.planner.plans.whole_plan import WholePlan, buying_nothing, checked, plan_from, solution_of
from pipelines.planner.reduction.dominated import undominated
from pipelines.planner.reduction.unfilled import least_unfilled
from pipelines.planner.statement.make_arrays import arrays_of
from pipelines.planner.statement.problem import Problem, Solution
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.shared_stock import first_orders
from pipelines.planner.statement.tolerances import BOUND_MARGIN, PROVEN_WITHIN
from pipelines.planner.whole_market import is_market


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
    # 1. State the problem as arrays, and leave out uses that others make needless.
    _require_forced_offers(problem)
    arrays = arrays_of(problem)
    if not arrays.vendors.is_forced[np.unique(arrays.offer_vendor)].sum() == len(problem.forced_vendors):
        raise _no_plan_of(problem.forced_vendors)
    so_far = BestSoFar(problem, arrays, EFFORTS[effort], undominated(arrays))

    # 2. Begin with the plans that are known: nothing bought, the given one, and one order with each vendor.
    so_far.offer(checked(problem, arrays, buying_nothing(arrays)))
    if start is not None:
        so_far.offer(plan_from(problem, arrays, start))
    if arrays.sharing is not None:
        so_far.offer(_one_order_each(problem, arrays, effort))

    # 3. Better the plan and raise the bound.
    if len(arrays.use_offer):
        _better(so_far)

    # 4. Write the best plan as frames, its bound less the solver's tolerance.
    return _solution(so_far)


def first_bound(problem: Problem) -> tuple[int, Fraction]:
    """How many pieces any plan leaves unfilled at least, and what plans that leave no more cost at least.

    It takes one linear program, so that problems can be compared before one is planned. The cost is 0 where the program has
    no solution.
    """
    arrays = arrays_of(problem)
    missing = least_unfilled(arrays)
    relaxation = solve_relaxation(arrays, missing)
    return missing, Fraction(0) if relaxation is None else _safe(arrays, relaxation.bound)


def _better(so_far: BestSoFar) -> None:
    # 3.1 Stock alone leaves at least so many pieces unfilled (a maximum flow).
    so_far.limit = least_unfilled(so_far.arrays)

    # 3.2 Hundreds of vendors: vendors are searched and branched on, not offers.
    if is_market(so_far.arrays):
        stages.search_whole_market(so_far)
        if so_far.is_filled:
            return

    # 3.3 A few hundred uses at one vendor: the whole program at once.
    if so_far.has_one_vendor and so_far.is_small:
        stages.solve_at_once(so_far)

    # 3.4 The linear relaxation bounds the cost; a local search over sets of vendors finds plans; branching raises the bound.
    if not so_far.is_proven:
        stages.bound_and_search(so_far)
    if so_far.is_proven:
        return

    # 3.5 Where the bound leaves little to choose from, the whole program, started from the best plan.
    if so_far.is_small or so_far.plan is None:
        if not stages.solve_exactly(so_far):
            raise _no_plan_of(so_far.problem.forced_vendors)

    # 3.6 Else, where rules or the search's limits leave more unfilled than stock does, the bound must hold for as many. That
    # no plan fills more is then not proven.
    elif so_far.plan.unfilled_count > so_far.limit:
        so_far.is_fewest = False
        so_far.restart_with_limit(so_far.plan.unfilled_count)
        stages.bound_and_search(so_far)


def _solution(so_far: BestSoFar) -> Solution:
    problem, arrays, plan = so_far.problem, so_far.arrays, so_far.plan
    if plan is None:
        raise PlanRefusedError("no plan was found", next_step="report this problem to the maintainers")
    penalties = problem.penalties.of_all(arrays.vendors.codes[number] for number in plan.vendors(arrays))
    bound = min(plan.cost, _safe(arrays, so_far.bound))
    is_proven = so_far.is_fewest and plan.cost - bound <= Fraction(PROVEN_WITHIN) * plan.cost
    frames = solution_of(problem, arrays, plan)
    return Solution(
        frames["purchases"],
        frames["allocations"],
        frames["unfilled"],
        cost=plan.cost - penalties,
        lower_bound=max(Fraction(0), (plan.cost if is_proven else bound) - penalties),
        penalties=problem.penalties,
        is_proven=is_proven,
        hit_time_limit=so_far.hit_time_limit,
    )


def _safe(arrays: ProblemArrays, bound: float) -> Fraction:
    """A bound in the buyer's currency, less the margin."""
    return max(Fraction(0), Fraction(bound * (1 - BOUND_MARGIN)) * arrays.money_unit)


def _one_order_each(problem: Problem, arrays: ProblemArrays, effort: str) -> WholePlan | None:
    """The plan that orders once from each vendor, so that leave to order again never makes a plan worse."""
    is_first = problem.offers["vendor_code"].is_in(np.array(arrays.vendors.codes)[first_orders(arrays)].tolist())
    rows = problem.offers["offer_index"].filter(is_first)
    try:
        found = solve(problem.of_offers(rows), effort)
    except PlanRefusedError:
        return None
    own = {name: getattr(found, name) for name in ("purchases", "allocations")}
    numbered = {name: frame.with_columns(offer_index=rows.gather(frame["offer_index"])) for name, frame in own.items()}
    return plan_from(problem, arrays, replace(found, **numbered))


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
