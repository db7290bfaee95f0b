"""A plan and a bound where hundreds or thousands of vendors sell: search, prices and branching in turn.

1. A local search finds good sets of vendors (search/market_sets.py). The best become plans.
2. Prices of portions, from linear programs over the likely vendors, bound the whole problem (bounds/lagrangean.py).
3. Branching raises the bound to one target after another, between the root's bound and the plan's cost, as far as the work
   allowed reaches (bounds/vendor_branching.py). The search starts again from sets of vendors that the branching finds.

Effort is counted in iterations of linear programs, by their rows, and in rounds of search.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.bounds.vendor_branching import Branching, root_prices
from pipelines.planner.efforts import MarketEffort
from pipelines.planner.search.market_sets import UsesByVendor, VendorSearch
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays

TARGETS = (0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1.0)
"""Targets, as shares of the way from the root's bound to the plan's cost."""

EASY = 250
"""A target that leaves so few vendors to branch on is tried at once, without the lower ones."""

PROMISING = 1.01
"""The search starts again from a set that costs at most so many times the best."""

GROWTH = 2
"""The next target is expected to take at least so many times the work of the last."""

LIKELY = 40
"""Vendors that restarts of the search may add: those whose orders add least at the root's prices."""

MANY = 300
"""The effort's restarts are for so many vendors. Fewer vendors without rules get fewer: branching finds what those miss."""

AROUND = 40
"""Neighbours of a plan's set that become plans, at most."""


MARKET_VENDORS, MARKET_USES = 80, 10_000
"""Problems of at least so many vendors and uses are whole markets."""


@dataclass(frozen=True)
class MarketBound:
    """No plan with as few pieces unfilled costs less than ``value``; and whether the safety limit on time was met."""

    value: float
    hit_time_limit: bool


def is_market(arrays: ProblemArrays) -> bool:
    """Whether a problem has so many vendors that they are searched and branched on."""
    return len(arrays.vendors) >= MARKET_VENDORS and len(arrays.use_offer) >= MARKET_USES


def search_market(
    arrays: ProblemArrays,
    uses: Flags,
    unfilled_limit: int,
    effort: MarketEffort,
    cost_with: Callable[[Flags], float],
    cost_better: Callable[[], float],
) -> MarketBound:
    """Search for sets of vendors, have plans made of them, and bound what plans cost.

    Args:
        arrays, uses: the problem, and the uses to look at.
        unfilled_limit: the bound is for plans that leave at most so many pieces unfilled.
        effort: how far to go.
        cost_with: makes plans of a set of vendors; returns what the best plan costs by then, infinity without one.
        cost_better: chooses the best plan's pieces anew; returns what the best plan costs by then.
    """
    search = VendorSearch(
        UsesByVendor.of(arrays, uses, first_factors(arrays)),
        arrays.maximum_vendor_count,
        effort.sets,
        frozenset(np.flatnonzero(arrays.vendors.is_forced).tolist()),
    )
    found = search.descend(())
    cost = _construct_best(search, cost_with, 1)
    lagrangean = Lagrangean.of(arrays, unfilled_limit)
    last_resort_price = float(search.uses_by_vendor.short.max(initial=1.0))
    guess = np.append(search.paid(found), np.zeros(len(arrays.component_combination)))
    prices, root = root_prices(lagrangean, guess, last_resort_price)
    likely = np.argsort(root.vendor_cost, kind="stable")[:LIKELY].tolist()
    for least in (0.5, 0.3, 0.2) if effort.restarts else ():
        search.descend(np.flatnonzero(prices.vendor_shares > least).tolist())
    many = min(1.0, len(arrays.vendors) / MANY) if search.uses_by_vendor.is_exact else 1.0
    search.restart(likely, math.ceil(many * effort.restarts))
    cost = min(cost, _construct_best(search, cost_with, effort.sets))
    if not lagrangean.is_simple.all():
        cost = _by_plans(search, cost_with, effort.plans)
        if effort.plans:
            cost = cost_better()
    best, spent = root.value, 0
    promising = PROMISING * cost

    def best_cost(used: Ints) -> float:
        nonlocal cost, promising
        vendors = tuple(used.tolist())
        if search.cost(vendors) < promising:
            promising = search.cost(vendors)
            search.descend(vendors)
            cost = min(cost, _construct_best(search, cost_with, 1))
        return cost

    branching = Branching(lagrangean, prices, root, last_resort_price, effort.work, best_cost)
    for index, share in enumerate(TARGETS):
        target, following = (
            root.value + s * (cost - root.value) for s in (share, TARGETS[min(index + 1, len(TARGETS) - 1)])
        )
        if not np.isfinite(cost) or target <= best or branching.work_left < max(1, GROWTH * spent):
            continue
        if share < 1 and (root.value + np.maximum(root.vendor_cost, 0.0) < following).sum() <= EASY:
            continue
        before = branching.work_left
        best = max(best, branching.prove(target))
        spent = before - branching.work_left
        cost = min(cost, _construct_best(search, cost_with, effort.sets))
    return MarketBound(best, branching.hit_time_limit)


def first_factors(arrays: ProblemArrays) -> Floats:
    """What goods cost in every vendor's lowest band."""
    return np.array(
        [float(terms.bands[0].factor) if terms.bands else 0.0 for terms in arrays.vendors.bands], np.float64
    )


def _construct_best(search: VendorSearch, cost_with: Callable[[Flags], float], count: int) -> float:
    """What the best plan costs once plans are made of the best sets."""
    vendors = len(search.uses_by_vendor.fixed)
    return min(cost_with(_flags(np.array(found, np.int64), vendors)) for found in search.best(count))


def _by_plans(search: VendorSearch, cost_with: Callable[[Flags], float], plans: int) -> float:
    """Search by what plans really cost; returns the best plan's cost.

    With thresholds the cost of a set of vendors is a rough estimate, because a plan moves pieces to reach them. So plans are
    made of the likely sets, the lowest estimates first, and then of the neighbours of the best plan's set.
    """
    vendors, tried = len(search.uses_by_vendor.fixed), set()

    def made(found: tuple[int, ...]) -> float:
        tried.add(found)
        return cost_with(_flags(np.array(found, np.int64), vendors))

    likely = search.best(plans // 2)
    current = likely[0] if likely else ()
    cost = made(current)
    for found in likely[1:]:
        if (better := made(found)) < cost:
            cost, current = better, found
    while len(tried) < plans:
        around = {other for group in search.neighbours(current) for other in group} - tried
        search.cost_all(list(around))
        for other in sorted(around, key=lambda other: (search.cost(other), other))[:AROUND]:
            if (better := made(other)) < cost:
                cost, current = better, other
                break
            if len(tried) >= plans:
                return cost
        else:
            return cost
    return cost


def _flags(vendors: np.ndarray, count: int) -> Flags:
    flags = np.zeros(count, np.bool_)
    flags[vendors] = True
    return flags
