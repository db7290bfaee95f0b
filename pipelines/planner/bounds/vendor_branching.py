"""Raises the lower bound of a large problem to a target by branching on which vendors are used.

To prove that no plan costs less than a *target*, a vendor can be left out at once if its order adds at least as much as the
target lies above the bound: any plan with it costs the target. A target a little above the bound of the linear relaxation
leaves some dozens of thousands of vendors. Branching on these (vendor used, vendor not used; lowest bound first) ends after a
few nodes; then comes a higher target. The usual way fixes vendors by reduced costs against the best plan. That leaves nearly
every vendor, because the gap is wider than a shipping charge.

The linear programs only propose prices of portions. Every bound is the Lagrangean's (lagrangean.py), so that none rests on
what the solver claims.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import highspy
import numpy as np

from pipelines.planner.bounds.lagrangean import Bound, Lagrangean
from pipelines.planner.bounds.vendor_relaxation import EXACTLY, FEW, NEARLY, RowPrices, VendorRelaxation
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.tolerances import GAINS_NOTHING, REACHED

FIRST_POOL = 120
"""Vendors in the first linear program."""

OUT, IN = 0, 1

PROBES = 8
"""A node tries so many vendors that were never branched on, for a few iterations each."""

UNDECIDED = 1e-4
"""A vendor is decided of which the program uses all or nothing, but for so little."""

NEVER_LESS = 1e-2
"""A rise of the bound is divided by how far the vendor was moved, but at least by this."""

MOST_RISE = 2.0
"""A probe's rise counts up to so many times what the target lies above the bound."""

SHRINKS = 0.5
"""A node with less than this share of its program's vendors left gets a smaller program."""

FLAT_STARTS = 2.0, 4.0
"""Where vendors have thresholds, prices are also climbed to from one price for all portions: so many times the typical one."""

AVERAGES = 6
"""The two best ends of climbs are averaged so many times at most."""

CLIMBS = 12
"""Programs of one climb, at most."""

SETTLED = 1e-4
"""Root prices are good enough when another linear program raises the bound by less than this share."""


def root_prices(lagrangean: Lagrangean, guess: Floats, last_resort_price: float) -> tuple[RowPrices, Bound]:
    """Prices that are about the best, and their bound, from linear programs over the vendors with most to gain.

    Where vendors have thresholds, each program holds the multipliers of the bands' starts fixed, and the climb may end at a kink
    well below the best prices. So it starts from several prices. The bound is concave but for the multipliers' grid: halfway
    between two ends it is about their mean at least, and no longer at either's kink. So the best two ends are averaged, and
    the climb goes on from there.

    Args:
        lagrangean: the problem.
        guess: about what portions pay, by row, as in some plan.
        last_resort_price: more than any plan pays for a piece.
    """
    ends = [_climb(lagrangean, guess, last_resort_price)]
    if lagrangean.is_simple.all():
        return ends[0]
    typical = float(np.median(guess[: len(lagrangean.arrays.need)]))
    ends += [_climb(lagrangean, np.full(len(guess), share * typical), last_resort_price) for share in FLAT_STARTS]
    for _ in range(AVERAGES):
        ends.sort(key=lambda end: -end[1].value)
        found = _climb(lagrangean, (ends[0][0].rows + ends[1][0].rows) / 2, last_resort_price)
        gained = found[1].value - ends[0][1].value
        ends.append(found)
        if gained < SETTLED * abs(found[1].value):
            break
    return max(ends, key=lambda end: end[1].value)


def _climb(lagrangean: Lagrangean, guess: Floats, last_resort_price: float) -> tuple[RowPrices, Bound]:
    """The best prices, and their bound, of programs that each start from the last one's prices."""
    arrays, everyone = lagrangean.arrays, len(lagrangean.arrays.vendors)
    nobody, forced = np.zeros(everyone, np.bool_), arrays.vendors.is_forced
    bound = lagrangean.bound(guess)
    pool = forced.copy()
    pool[np.argsort(bound.vendor_cost, kind="stable")[:FIRST_POOL]] = True
    best, best_bound = RowPrices(guess, np.zeros(everyone), np.zeros(len(lagrangean.order_vendor))), bound
    for _ in range(CLIMBS):
        found = VendorRelaxation(lagrangean, pool, best.rows, last_resort_price).solve(forced, nobody)
        if found is None:
            break
        bound = lagrangean.bound(found.rows)
        gained = bound.value - best_bound.value
        if gained > 0:
            best, best_bound = found, bound
        lacking = (bound.vendor_cost < -GAINS_NOTHING) & ~pool
        if not lacking.any() and gained < SETTLED * abs(bound.value):
            break
        pool[np.argsort(bound.vendor_cost, kind="stable")[:FIRST_POOL]] = True
    return best, best_bound


@dataclass(frozen=True)
class _Branch:
    """The plans that use some vendors, don't use others, and place no order in some bands (lagrangean.py)."""

    is_in: Flags
    is_out: Flags
    is_shut: Flags

    @property
    def is_free(self) -> Flags:
        """Vendors that are neither in nor out."""
        return ~self.is_in & ~self.is_out

    def with_vendor(self, side: int, vendor: int) -> _Branch:
        """The branch with one more vendor out or in."""
        flags = [self.is_out.copy(), self.is_in.copy()]
        flags[side][vendor] = True
        return _Branch(flags[IN], flags[OUT], self.is_shut)

    def without_orders(self, orders: Ints) -> _Branch:
        """The branch without some orders."""
        is_shut = self.is_shut.copy()
        is_shut[orders] = True
        return replace(self, is_shut=is_shut)


@dataclass(order=True)
class _Node:
    """A branch, its bound, and what to branch on next: a vendor, or else an order (-1 for none).

    ``vendor_share`` is how much of that vendor the program used, ``basis`` the program's last one.
    """

    bound: float
    number: int
    branch: _Branch = field(compare=False)
    tree: _Tree = field(compare=False)
    vendor: int = field(compare=False, default=-1)
    order: int = field(compare=False, default=-1)
    vendor_share: float = field(compare=False, default=0.0)
    basis: highspy.HighsBasis | None = field(compare=False, default=None)

    @property
    def is_leaf(self) -> bool:
        """Whether nothing is left to branch on."""
        return self.vendor < 0 and self.order < 0

    def children(self) -> list[_Node]:
        """The halves that may still hold a plan below the target; the one solved last comes last."""
        return self._by_vendor() if self.vendor >= 0 else self._by_order() if self.order >= 0 else []

    def _by_vendor(self) -> list[_Node]:
        found = []
        for side in (OUT, IN):
            self.tree.start_from(self.basis)
            child = self.tree.node(self.branch.with_vendor(side, self.vendor), self.bound)
            reached = self.tree.target if child is None else child.bound
            distance = 1 - self.vendor_share if side == IN else self.vendor_share
            self.tree.learn(side, self.vendor, (reached - self.bound) / max(distance, NEVER_LESS))
            if child is not None:
                found.append(child)
        return found

    def _by_order(self) -> list[_Node]:
        """The half without the order, and the half without the vendor's other orders."""
        siblings = self.tree.siblings(self.order)
        found = []
        for shut in (np.array([self.order]), siblings[siblings != self.order]):
            self.tree.start_from(self.basis)
            child = self.tree.node(self.branch.without_orders(shut), self.bound)
            if child is not None:
                found.append(child)
        return found


@dataclass
class Branching:
    """Proves targets, or as much of them as the work allowed reaches, by trees of vendors in and out.

    Attributes:
        lagrangean, prices, root: the problem, and its prices and bound over all vendors.
        last_resort_price: more than any plan pays for a piece.
        work_left: work that is still allowed, of linear programs (vendor_relaxation.py) and of bounds in the same unit.
        best_cost: takes a set of vendors that a program uses, and returns what the best plan costs by then.
        target: what is being proven; never above the best plan's cost.
        gain, count: by side (out, in) and vendor, how much the bound rose on average per unit that the vendor was moved, and
            in how many tries.
    """

    lagrangean: Lagrangean
    prices: RowPrices
    root: Bound
    last_resort_price: float
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
        """The lower bound that is reached: at most the target, or what the best plan costs if that is less."""
        self.target = target
        forced = self.lagrangean.arrays.vendors.is_forced
        pool = forced | (self.root.value + np.maximum(self.root.vendor_cost, 0.0) < target)
        if self.root.value >= target or not pool.any():
            return target
        whole = _Branch(forced, ~pool, np.zeros(len(self.lagrangean.order_vendor), np.bool_))
        current = _Tree(self, pool, self.prices.rows).node(whole, self.root.value)
        heap: list[_Node] = []
        lowest_leaf = target
        while (current is not None or heap) and self.work_left > 0:
            # A child comes right after its parent where it can: the solver then starts from where it was.
            node = current or heapq.heappop(heap)
            still_open = node.children() if node.bound < self.target * (1 - REACHED) else []
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
        self._program = VendorRelaxation(self._lagrangean, pool, prices, branching.last_resort_price)

    @property
    def target(self) -> float:
        """What is being proven."""
        return self._branching.target

    def start_from(self, basis: highspy.HighsBasis | None) -> None:
        """Start the next program from the basis of another."""
        if basis is not None:
            self._program.start_from(basis)

    def siblings(self, order: int) -> Ints:
        """The orders of an order's vendor."""
        vendor = self._lagrangean.order_vendor
        return np.flatnonzero(vendor == vendor[order])

    def node(self, branch: _Branch, bound: float) -> _Node | None:
        """The node of a branch; None if no plan of it costs less than the target."""
        self._branching.node_count += 1
        number = self._branching.node_count
        for settled in (NEARLY, EXACTLY) if branch.is_free.any() else (EXACTLY,):
            prices = self._solve(branch, settled)
            if prices is None:
                return _Node(bound, number, branch, self)
            found = self._lagrangean.bound(prices.rows, branch.is_in, branch.is_out, branch.is_shut)
            self._branching.work_left -= self._lagrangean.work
            bound = max(bound, found.value)
            if bound >= self.target * (1 - REACHED):
                return None
            cost, is_free = found.vendor_cost, branch.is_free
            is_out = branch.is_out | (is_free & (found.value + np.maximum(cost, 0.0) >= self.target))
            is_in = branch.is_in | (is_free & ~is_out & (found.value - np.minimum(cost, 0.0) >= self.target))
            branch = _Branch(is_in, is_out, branch.is_shut)
            if _is_split(branch.is_free, prices.vendor_shares).any():
                break
        assert prices is not None
        is_free = branch.is_free
        if (~branch.is_out).sum() < SHRINKS * self._size and (self._size > FEW or not is_free.any()):
            # Far fewer vendors are left: their own program is smaller, and states more of their uses.
            return _Tree(self._branching, ~branch.is_out, prices.rows).node(branch, bound)
        used = np.flatnonzero(branch.is_in | (is_free & (prices.vendor_shares > 0.5)))
        self._branching.target = min(self.target, self._branching.best_cost(used))
        basis = self._program.basis
        if is_free.any():
            vendor = self._to_branch_on(branch, prices.vendor_shares, basis)
            return _Node(bound, number, branch, self, vendor, -1, float(prices.vendor_shares[vendor]), basis)
        split = np.minimum(prices.order_shares, 1 - prices.order_shares)
        order = int(np.argmax(split)) if split.max() > UNDECIDED else -1
        return _Node(bound, number, branch, self, -1, order, 0.0, basis)

    def _solve(self, branch: _Branch, settled: float) -> RowPrices | None:
        before = self._program.work
        self._program.stop_at(self.target)
        prices = self._program.solve(branch.is_in, branch.is_out, branch.is_shut, settled)
        self._branching.work_left -= self._program.work - before
        self._branching.hit_time_limit |= self._program.hit_time_limit
        return prices

    def learn(self, side: int, vendor: int, gain: float) -> None:
        """Remember how much the bound rose per unit that a vendor was moved.

        These are pseudo-costs: Benichou and others, Experiments in mixed-integer linear programming, Math. Programming 1
        (1971) 76-94, doi 10.1007/BF01584074 (number from memory).
        """
        gains, counts = self._branching.gain, self._branching.count
        counts[side, vendor] += 1
        gains[side, vendor] += (gain - gains[side, vendor]) / counts[side, vendor]

    def _to_branch_on(self, branch: _Branch, vendor_shares: Floats, basis: highspy.HighsBasis) -> int:
        """The free vendor whose two sides are expected to raise the bound most; some never tried are probed first."""
        undecided, split = (
            np.flatnonzero(_is_split(branch.is_free, vendor_shares)),
            np.minimum(vendor_shares, 1 - vendor_shares),
        )
        if not len(undecided):
            return int(np.argmax(branch.is_free))
        fresh = undecided[self._branching.count.min(axis=0)[undecided] == 0]
        for vendor in fresh[np.argsort(-split[fresh], kind="stable")][:PROBES].tolist():
            self._probe(vendor, branch, vendor_shares, basis)
        known = undecided[self._branching.count.min(axis=0)[undecided] > 0]
        down, up = self._branching.gain[:, known]
        score = np.maximum(down * vendor_shares[known], GAINS_NOTHING) * np.maximum(
            up * (1 - vendor_shares[known]), GAINS_NOTHING
        )
        return int(known[np.argmax(score)])

    def _probe(self, vendor: int, branch: _Branch, vendor_shares: Floats, basis: highspy.HighsBasis) -> None:
        value, before = self._program.value, self._program.work
        for side, distance in ((OUT, vendor_shares[vendor]), (IN, 1 - vendor_shares[vendor])):
            tried = branch.with_vendor(side, vendor)
            rise = self._program.probe(tried.is_in, tried.is_out, tried.is_shut, basis) - value
            self.learn(side, vendor, min(max(rise, 0.0), MOST_RISE * (self.target - value)) / distance)
        self._branching.work_left -= self._program.work - before


def _is_split(is_free: Flags, vendor_shares: Floats) -> Flags:
    """Vendors that are neither in nor out, and that the program uses neither whole nor not at all."""
    return is_free & (np.minimum(vendor_shares, 1 - vendor_shares) > UNDECIDED)
