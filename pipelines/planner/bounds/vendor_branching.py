"""Lifts the lower bound of a large problem to a target by branching on which vendors are used.

To prove that no plan costs less than a *target*, a vendor whose order adds at least what the target lies above the bound can be
left out at once: any plan with it costs the target. Targets a little above the bound of the linear relaxation leave a few dozen of
thousands of vendors, for which branching (vendor used, vendor not used; lowest bound first) ends after a few nodes; then comes a
higher target. Fixing by reduced costs against the best plan, the usual way, leaves nearly every vendor, because the gap is wider
than a shipping charge.

The linear programs only propose prices of portions. Every bound is the Lagrangean's (lagrangean.py), so that nothing rests on
what the solver claims.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import highspy
import numpy as np

from pipelines.planner.bounds.lagrangean import Bound, Lagrangean
from pipelines.planner.bounds.vendor_relaxation import EXACTLY, FEW, NEARLY, PoolProgram, Prices
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints

FIRST_POOL = 120
"""Vendors in the first linear program."""

WHOLE = 1e-6

ROUNDING = 1e-7

OUT, IN = 0, 1

PROBES = 8
"""Vendors never branched on that a node tries for a few iterations."""

UNDECIDED = 1e-4
"""A vendor of which the program wants all or nothing but so little is decided."""

NEVER_LESS = 1e-2
"""Rises are put down to a move of at least so much."""

MOST_RISE = 2.0
"""A probe counts for at most so many times what is missing to the target."""

SHRINKS = 0.5
"""A node with less than this share of its program's vendors left gets a smaller program."""

SETTLED = 1e-4
"""Root prices are good enough when another linear program lifts the bound by less than this share."""


def root_prices(lagrangean: Lagrangean, guess: Floats, dear: float) -> tuple[Prices, Bound]:
    """Prices that are about the best, from linear programs over the vendors that the last prices want.

    Args:
        lagrangean: the problem.
        guess: about what portions pay, by row, as in some plan.
        dear: above what any plan pays for a piece.
    """
    compiled, everyone = lagrangean.compiled, len(lagrangean.compiled.vendors)
    nobody, forced = np.zeros(everyone, np.bool_), compiled.vendors.is_forced
    bound = lagrangean.bound(guess)
    pool = forced.copy()
    pool[np.argsort(bound.vendor_cost, kind="stable")[:FIRST_POOL]] = True
    best, best_bound = Prices(guess, np.zeros(everyone), np.zeros(len(lagrangean.order_vendor))), bound
    for _ in range(12):
        found = PoolProgram(lagrangean, pool, best.rows, dear).solve(forced, nobody)
        if found is None:
            break
        bound = lagrangean.bound(found.rows)
        gained = bound.value - best_bound.value
        if gained > 0:
            best, best_bound = found, bound
        lacking = (bound.vendor_cost < -WHOLE) & ~pool
        if not lacking.any() and gained < SETTLED * abs(bound.value):
            break
        pool[np.argsort(bound.vendor_cost, kind="stable")[:FIRST_POOL]] = True
    return best, best_bound


@dataclass(frozen=True)
class _Part:
    """Plans that use some vendors, don't use others, and place no order in some bands (lagrangean.py)."""

    is_in: Flags
    is_out: Flags
    is_shut: Flags

    @property
    def is_free(self) -> Flags:
        """Vendors that are neither in nor out."""
        return ~self.is_in & ~self.is_out

    def with_vendor(self, side: int, vendor: int) -> _Part:
        """Those with a vendor out or in."""
        flags = [self.is_out.copy(), self.is_in.copy()]
        flags[side][vendor] = True
        return _Part(flags[IN], flags[OUT], self.is_shut)

    def without_orders(self, orders: Ints) -> _Part:
        """Those without some orders."""
        is_shut = self.is_shut.copy()
        is_shut[orders] = True
        return replace(self, is_shut=is_shut)


@dataclass(order=True)
class _Node:
    """A part of the plans, with the bound that this gives and what to branch on: a vendor, or else an order (-1 for none).

    ``needed`` is how much of that vendor the program needed, ``basis`` where it stood.
    """

    bound: float
    number: int
    part: _Part = field(compare=False)
    tree: _Tree = field(compare=False)
    vendor: int = field(compare=False, default=-1)
    order: int = field(compare=False, default=-1)
    needed: float = field(compare=False, default=0.0)
    basis: highspy.HighsBasis | None = field(compare=False, default=None)

    @property
    def is_leaf(self) -> bool:
        """Whether nothing is left to branch on."""
        return self.vendor < 0 and self.order < 0

    def children(self) -> list[_Node]:
        """Those of the two halves that are not done with, the one solved last at the end."""
        return self._by_vendor() if self.vendor >= 0 else self._by_order() if self.order >= 0 else []

    def _by_vendor(self) -> list[_Node]:
        found = []
        for side in (OUT, IN):
            self.tree.start_from(self.basis)
            child = self.tree.node(self.part.with_vendor(side, self.vendor), self.bound)
            reached = self.tree.target if child is None else child.bound
            distance = 1 - self.needed if side == IN else self.needed
            self.tree.learn(side, self.vendor, (reached - self.bound) / max(distance, NEVER_LESS))
            if child is not None:
                found.append(child)
        return found

    def _by_order(self) -> list[_Node]:
        """Without the order, and without the vendor's others."""
        siblings = self.tree.siblings(self.order)
        found = []
        for shut in (np.array([self.order]), siblings[siblings != self.order]):
            self.tree.start_from(self.basis)
            child = self.tree.node(self.part.without_orders(shut), self.bound)
            if child is not None:
                found.append(child)
        return found


@dataclass
class Branching:
    """Trees of vendors in and out that prove targets, or as much of them as their nodes reach.

    Attributes:
        lagrangean, prices, root: the problem, and its prices and bound over all vendors.
        dear: above what any plan pays for a piece.
        work_left: work of linear programs (pool_program.py), and of bounds in their units, still allowed.
        best_cost: told a set of vendors that a program wants, says what the best plan costs by now.
        target: what is being proven; never above the best plan's cost.
        gain, count: by side (out, in) and vendor, how much the bound rises per unit that the vendor is moved, on average, and
            of how many tries (pseudo-costs: Benichou and others, Experiments in mixed-integer linear programming, Math.
            Programming 1 (1971) 76-94).
    """

    lagrangean: Lagrangean
    prices: Prices
    root: Bound
    dear: float
    work_left: int
    best_cost: Callable[[Ints], float]
    target: float = 0.0
    node_count: int = 0
    hit_time_limit: bool = False
    gain: Floats = field(init=False)
    count: Ints = field(init=False)

    def __post_init__(self) -> None:
        self.gain = np.zeros((2, len(self.root.vendor_cost)))
        self.count = np.zeros((2, len(self.root.vendor_cost)), np.int64)

    def prove(self, target: float) -> float:
        """A lower bound: the target, or what the best plan costs if that is less, if it could be reached; else what was."""
        self.target = target
        forced = self.lagrangean.compiled.vendors.is_forced
        pool = forced | (self.root.value + np.maximum(self.root.vendor_cost, 0.0) < target)
        if self.root.value >= target or not pool.any():
            return target
        whole = _Part(forced, ~pool, np.zeros(len(self.lagrangean.order_vendor), np.bool_))
        current = _Tree(self, pool, self.prices.rows).node(whole, self.root.value)
        heap: list[_Node] = []
        lowest_leaf = target
        while (current is not None or heap) and self.work_left > 0:
            # Children follow their parent where they can: the solver starts from where it was.
            node = current or heapq.heappop(heap)
            still_open = node.children() if node.bound < self.target - ROUNDING else []
            if node.is_leaf:
                lowest_leaf = min(lowest_leaf, node.bound)
            current = still_open.pop() if still_open else None
            for child in still_open:
                heapq.heappush(heap, child)
        unfinished = [*heap, *([current] if current else [])]
        return min(self.target, lowest_leaf, min((node.bound for node in unfinished), default=target))


class _Tree:
    """The nodes that share a linear program: those of one target with some vendors in the pool."""

    def __init__(self, branching: Branching, pool: Flags, prices: Floats) -> None:
        self._branching = branching
        self._size = int(pool.sum())
        self._lagrangean = branching.lagrangean.among(pool)
        self._program = PoolProgram(self._lagrangean, pool, prices, branching.dear)

    @property
    def target(self) -> float:
        """What is being proven."""
        return self._branching.target

    def start_from(self, basis: highspy.HighsBasis | None) -> None:
        """Start the next program from where another stood."""
        if basis is not None:
            self._program.start_from(basis)

    def siblings(self, order: int) -> Ints:
        """The orders of an order's vendor."""
        vendor = self._lagrangean.order_vendor
        return np.flatnonzero(vendor == vendor[order])

    def node(self, part: _Part, bound: float) -> _Node | None:
        """The node of some plans; None if none of them costs less than the target."""
        self._branching.node_count += 1
        number = self._branching.node_count
        for settled in (NEARLY, EXACTLY) if part.is_free.any() else (EXACTLY,):
            prices = self._solve(part, settled)
            if prices is None:
                return _Node(bound, number, part, self)
            found = self._lagrangean.bound(prices.rows, part.is_in, part.is_out, part.is_shut)
            self._branching.work_left -= self._lagrangean.work
            bound = max(bound, found.value)
            if bound >= self.target - ROUNDING:
                return None
            cost, is_free = found.vendor_cost, part.is_free
            is_out = part.is_out | (is_free & (found.value + np.maximum(cost, 0.0) >= self.target))
            is_in = part.is_in | (is_free & ~is_out & (found.value - np.minimum(cost, 0.0) >= self.target))
            part = _Part(is_in, is_out, part.is_shut)
            if _is_split(part.is_free, prices.needed).any():
                break
        assert prices is not None
        is_free = part.is_free
        if (~part.is_out).sum() < SHRINKS * self._size and (self._size > FEW or not is_free.any()):
            # Far fewer vendors: a program of their own is smaller, and knows their prices.
            return _Tree(self._branching, ~part.is_out, prices.rows).node(part, bound)
        needed = np.flatnonzero(part.is_in | (is_free & (prices.needed > 0.5)))
        self._branching.target = min(self.target, self._branching.best_cost(needed))
        basis = self._program.basis
        if is_free.any():
            vendor = self._to_branch_on(part, prices.needed, basis)
            return _Node(bound, number, part, self, vendor, -1, float(prices.needed[vendor]), basis)
        split = np.minimum(prices.orders, 1 - prices.orders)
        order = int(np.argmax(split)) if split.max() > UNDECIDED else -1
        return _Node(bound, number, part, self, -1, order, 0.0, basis)

    def _solve(self, part: _Part, settled: float) -> Prices | None:
        before = self._program.work
        self._program.stop_at(self.target)
        prices = self._program.solve(part.is_in, part.is_out, part.is_shut, settled)
        self._branching.work_left -= self._program.work - before
        self._branching.hit_time_limit |= self._program.hit_time_limit
        return prices

    def learn(self, side: int, vendor: int, gain: float) -> None:
        """Remember how much the bound rose per unit that a vendor was moved."""
        gains, counts = self._branching.gain, self._branching.count
        counts[side, vendor] += 1
        gains[side, vendor] += (gain - gains[side, vendor]) / counts[side, vendor]

    def _to_branch_on(self, part: _Part, needed: Floats, basis: highspy.HighsBasis) -> int:
        """The free vendor of which both sides are expected to lift the bound most; some that were never tried are probed."""
        undecided, split = np.flatnonzero(_is_split(part.is_free, needed)), np.minimum(needed, 1 - needed)
        if not len(undecided):
            return int(np.argmax(part.is_free))
        fresh = undecided[self._branching.count.min(axis=0)[undecided] == 0]
        for vendor in fresh[np.argsort(-split[fresh], kind="stable")][:PROBES].tolist():
            self._probe(vendor, part, needed, basis)
        known = undecided[self._branching.count.min(axis=0)[undecided] > 0]
        down, up = self._branching.gain[:, known]
        score = np.maximum(down * needed[known], WHOLE) * np.maximum(up * (1 - needed[known]), WHOLE)
        return int(known[np.argmax(score)])

    def _probe(self, vendor: int, part: _Part, needed: Floats, basis: highspy.HighsBasis) -> None:
        value, before = self._program.value, self._program.work
        for side, distance in ((OUT, needed[vendor]), (IN, 1 - needed[vendor])):
            tried = part.with_vendor(side, vendor)
            rise = self._program.probe(tried.is_in, tried.is_out, tried.is_shut, basis) - value
            self.learn(side, vendor, min(max(rise, 0.0), MOST_RISE * (self.target - value)) / distance)
        self._branching.work_left -= self._program.work - before


def _is_split(is_free: Flags, needed: Floats) -> Flags:
    """Vendors that are neither in nor out, nor needed whole or not at all."""
    return is_free & (np.minimum(needed, 1 - needed) > UNDECIDED)
