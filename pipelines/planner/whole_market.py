"""A plan and a bound where hundreds or thousands of vendors sell: search, prices, branching in turn.

1. A local search finds a good set of vendors (vendor_search.py); plans are made of the best sets.
2. Prices of portions, from linear programs over the vendors worth it, bound the whole problem (lagrangean.py).
3. The bound is lifted to one target after another between the root's bound and the plan's cost (vendor_branching.py), as far as
   the work allowed reaches. Sets of vendors that its programs want start the search again.

Effort is counted in iterations of linear programs, by their rows, and in rounds of search.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.bounds.vendor_branching import Branching, root_prices
from pipelines.planner.search.market_sets import Shelves, VendorSearch
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled

TARGETS = (0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1.0)
"""Targets, as shares of the way from the root's bound to the plan's cost."""

EASY = 250
"""A target that leaves so few vendors is tried without lower ones before."""

PROMISING = 1.01
"""The search starts again from a set that costs at most so many times the best."""

GROWTH = 2
"""The next target is expected to take at least so many times the last one's work."""

NEEDED = 40
"""Vendors that restarts of the search may bring in: those that the root's prices want most."""

MANY = 300
"""Restarts are for so many vendors; where vendors have no rules, fewer vendors get fewer, because branching finds what they miss."""

AROUND = 40
"""Sets around a plan's of which plans are made."""


@dataclass(frozen=True)
class MarketEffort:
    """How far to go.

    Attributes:
        restarts: of the search.
        sets: plans made of its best sets.
        plans: plans made at most to search by plans' own costs, where vendors have thresholds.
        work: of linear programs below the root, as pool_program.py counts it.
    """

    restarts: int
    sets: int
    plans: int
    work: int


MARKET_EFFORTS = {
    "quick": MarketEffort(0, 1, 0, 0),
    "standard": MarketEffort(40, 8, 60, 600_000),
    "deep": MarketEffort(60, 12, 400, 2_400_000),
}

MARKET_VENDORS, MARKET_USES = 80, 10_000
"""Problems of at least so many vendors and uses are planned here."""


@dataclass(frozen=True)
class MarketBound:
    """No plan with as few pieces unfilled costs less than ``value``."""

    value: float
    hit_time_limit: bool


def is_market(compiled: Compiled) -> bool:
    """Whether a problem is large enough."""
    return len(compiled.vendors) >= MARKET_VENDORS and len(compiled.use_offer) >= MARKET_USES


def search_market(
    compiled: Compiled,
    uses: Flags,
    unfilled_limit: int,
    effort: MarketEffort,
    construct: Callable[[Flags], float],
) -> MarketBound:
    """Search and bound; ``construct`` makes a plan of a set of vendors and returns the best plan's cost so far (or infinity)."""
    search = VendorSearch(
        Shelves.of(compiled, uses, first_factors(compiled)),
        compiled.maximum_vendor_count,
        effort.sets,
        frozenset(np.flatnonzero(compiled.vendors.is_forced).tolist()),
    )
    found = search.descend(())
    cost = _construct_best(search, construct, 1)
    lagrangean = Lagrangean.of(compiled, unfilled_limit)
    dear = float(search.shelves.short.max(initial=1.0))
    guess = np.append(search.paid(found), np.zeros(len(compiled.component_combination)))
    prices, root = root_prices(lagrangean, guess, dear)
    needed = np.argsort(root.vendor_cost, kind="stable")[:NEEDED].tolist()
    for least in (0.5, 0.3, 0.2) if effort.restarts else ():
        search.descend(np.flatnonzero(prices.needed > least).tolist())
    many = min(1.0, len(compiled.vendors) / MANY) if search.shelves.is_exact else 1.0
    search.restart(needed, math.ceil(many * effort.restarts))
    cost = min(cost, _construct_best(search, construct, effort.sets))
    if not lagrangean.is_simple.all():
        cost = _by_plans(search, construct, effort.plans)
    best, spent = root.value, 0
    promising = PROMISING * cost

    def best_cost(needed: Ints) -> float:
        nonlocal cost, promising
        vendors = tuple(needed.tolist())
        if search.cost(vendors) < promising:
            promising = search.cost(vendors)
            search.descend(vendors)
            cost = min(cost, _construct_best(search, construct, 1))
        return cost

    branching = Branching(lagrangean, prices, root, dear, effort.work, best_cost)
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
        cost = min(cost, _construct_best(search, construct, effort.sets))
    return MarketBound(best, branching.hit_time_limit)


def first_factors(compiled: Compiled) -> Floats:
    """What goods cost in every vendor's lowest band."""
    return np.array(
        [float(terms.bands[0].factor) if terms.bands else 0.0 for terms in compiled.vendors.bands], np.float64
    )


def _construct_best(search: VendorSearch, construct: Callable[[Flags], float], count: int) -> float:
    vendors = len(search.shelves.fixed)
    return min(construct(_flags(np.array(found, np.int64), vendors)) for found in search.best(count))


def _by_plans(search: VendorSearch, construct: Callable[[Flags], float], plans: int) -> float:
    """Search by what plans really cost; returns the best plan's cost.

    Thresholds make what a set of vendors costs a rough guess: a plan moves pieces to reach them. So plans are made of likely
    sets, the best guesses first, and of what is around the best plan's set.
    """
    vendors, tried = len(search.shelves.fixed), set()

    def made(found: tuple[int, ...]) -> float:
        tried.add(found)
        return construct(_flags(np.array(found, np.int64), vendors))

    likely = search.best(plans // 2)
    current = likely[0] if likely else ()
    cost = made(current)
    for found in likely[1:]:
        if (better := made(found)) < cost:
            cost, current = better, found
    while len(tried) < plans:
        around = {other for group in search.neighbours(current) for other in group} - tried
        search.decide(list(around))
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
