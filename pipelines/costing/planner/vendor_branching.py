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
from dataclasses import dataclass, field, replace

import highspy
import numpy as np

from pipelines.costing.planner import linear
from pipelines.costing.planner.compiled import Compiled, Flags, Floats, Ints
from pipelines.costing.planner.draft import ModelOptions, Relaxation
from pipelines.costing.planner.lagrangean import Bound, Lagrangean
from pipelines.costing.planner.mip_model import build_model

FIRST_POOL = 120
"""Vendors in the first linear program."""

NEAR = 1.3
"""Uses that cost up to so many times their portion's price are stated; a stand-in takes the place of the rest."""

FEW = 30
"""Of so few vendors all uses are stated."""

WHOLE = 1e-6

ROUNDING = 1e-7

SHRINKS = 0.5
"""A node with less than this share of its program's vendors left gets a smaller program."""

SETTLED = 1e-4
"""Root prices are good enough when another linear program lifts the bound by less than this share."""


@dataclass
class Prices:
    """Prices by row (lagrangean.py), and how much the linear program wants each vendor (0 to 1)."""

    rows: Floats
    wanted: Floats


class PoolProgram:
    """The linear relaxation over some vendors, solved again and again with vendors in and out."""

    def __init__(self, compiled: Compiled, vendors: Flags, prices: Floats, unfilled_limit: int, dear: float) -> None:
        """State it.

        Args:
            compiled, vendors, unfilled_limit: the problem, the vendors in the pool, most pieces unfilled.
            prices: about what portions pay, by row, to tell near uses.
            dear: price at which any number of pieces can be had, so that there always is a solution.
        """
        self.hit_time_limit = False
        self.iterations = 0
        self._count = len(vendors)
        near = NEAR if vendors.sum() > FEW else np.inf
        in_pool = vendors[compiled.offer_vendor[compiled.use_offer]]
        uses, stand_ins = _near_uses(compiled, in_pool, prices, dear, near)
        options = ModelOptions(vendors, uses, whole=False, unfilled_limit=unfilled_limit, relaxation=stand_ins)
        model = build_model(compiled, options)
        first = int((model.handling_paid >= 0).sum())
        components = len(compiled.component_makeup)
        portions = np.arange(len(compiled.need)) + first + components
        self._rows = np.append(portions, np.arange(components) + first)
        self._vendors = np.flatnonzero(model.vendor >= 0)
        self._columns = model.vendor[self._vendors].astype(np.int32)
        program = replace(model.program, is_integer=np.zeros_like(model.program.is_integer))
        self._solver = _solver_of(program)

    def stop_at(self, value: float) -> None:
        """Let the solver stop where its own value exceeds this a little: the node is done with."""
        self._solver.setOptionValue("objective_bound", value + 1e-3 * abs(value))

    def solve(self, is_in: Flags, is_out: Flags) -> Prices | None:
        """Prices with some vendors used and others not; None if the solver has none to offer."""
        lower, upper = is_in[self._vendors].astype(np.float64), (~is_out[self._vendors]).astype(np.float64)
        self._solver.changeColsBounds(len(self._columns), self._columns, lower, upper)
        # The limit counts all runs of this solver.
        self._solver.setOptionValue("time_limit", self._solver.getRunTime() + linear.SAFETY_SECONDS)
        self._solver.run()
        self.iterations += max(0, self._solver.getInfo().simplex_iteration_count)
        self.hit_time_limit |= self._solver.getModelStatus() == highspy.HighsModelStatus.kTimeLimit
        solution = self._solver.getSolution()
        if not solution.dual_valid:
            return None
        wanted = np.zeros(self._count)
        wanted[self._vendors] = np.array(solution.col_value)[self._columns]
        return Prices(np.array(solution.row_dual)[self._rows], wanted)


def _solver_of(program: linear.Program) -> highspy.Highs:
    solver = highspy._Highs()  # type: ignore[attr-defined]  # its public twin prints a banner
    settings = {"output_flag": False, "threads": 1, "random_seed": 0}
    for name, value in settings.items():
        solver.setOptionValue(name, value)
    solver.passModel(linear._as_highs(program))
    return solver


def _near_uses(
    compiled: Compiled, in_pool: Flags, prices: Floats, dear: float, near: float
) -> tuple[Flags, Relaxation]:
    """Uses worth stating, and stand-ins for the rest at the price of the cheapest left out, at most ``dear``."""
    portion, vendor = compiled.use_portion, compiled.offer_vendor[compiled.use_offer]
    floor = compiled.offer_floor[compiled.use_offer]
    droppable = in_pool & (compiled.use_makeup < 0) & compiled.vendors.is_rising[vendor]
    droppable &= (compiled.step_count == 1)[compiled.use_offer]
    dropped = droppable & (floor > near * np.maximum(prices[portion], ROUNDING))
    grouped = compiled.group[portion] >= 0
    width = int(compiled.use_colour.max(initial=0)) + 1
    cell = portion * width + np.where(grouped, compiled.use_colour, 0)
    cells, place = np.unique(cell, return_inverse=True)
    price = np.full(len(cells), dear)
    np.minimum.at(price, place[dropped], floor[dropped])
    return in_pool & ~dropped, Relaxation(cells // width, cells % width, price)


def root_prices(lagrangean: Lagrangean, guess: Floats, dear: float) -> tuple[Prices, Bound]:
    """Prices that are about the best, from linear programs over the vendors that the last prices want.

    Args:
        lagrangean: the problem.
        guess: about what portions pay, by row, as in some plan.
        dear: above what any plan pays for a piece.
    """
    compiled, everyone = lagrangean.compiled, len(lagrangean.compiled.vendors)
    nobody = np.zeros(everyone, np.bool_)
    bound = lagrangean.bound(guess)
    pool = nobody.copy()
    pool[np.argsort(bound.vendor_cost, kind="stable")[:FIRST_POOL]] = True
    best, best_bound = Prices(guess, np.zeros(everyone)), bound
    for _ in range(12):
        found = PoolProgram(compiled, pool, best.rows, lagrangean.unfilled_limit, dear).solve(nobody, nobody)
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


@dataclass(order=True)
class _Node:
    """Vendors in and out, with the bound that this gives and the vendor to branch on (-1 when all are decided)."""

    bound: float
    number: int
    is_in: Flags = field(compare=False)
    is_out: Flags = field(compare=False)
    vendor: int = field(compare=False)
    tree: _Tree = field(compare=False)

    def children(self) -> list[_Node]:
        """Those of the two with the vendor out and in that are not done with, the one solved last at the end."""
        if self.vendor < 0:
            return []
        with_it, without_it = self.is_in.copy(), self.is_out.copy()
        with_it[self.vendor] = without_it[self.vendor] = True
        found = [self.tree.node(self.is_in, without_it, self.bound), self.tree.node(with_it, self.is_out, self.bound)]
        return [child for child in found if child is not None]


@dataclass
class Branching:
    """Trees of vendors in and out that prove targets, or as much of them as their nodes reach.

    Attributes:
        lagrangean, prices, root: the problem, and its prices and bound over all vendors.
        dear: above what any plan pays for a piece.
        work_left: iterations of linear programs still allowed.
        sets: sets of vendors that linear programs wanted.
    """

    lagrangean: Lagrangean
    prices: Prices
    root: Bound
    dear: float
    work_left: int
    sets: list[Ints] = field(default_factory=list)
    node_count: int = 0
    hit_time_limit: bool = False

    def prove(self, target: float) -> float:
        """A lower bound: the target if it could be reached, else what was."""
        pool = self.root.value + np.maximum(self.root.vendor_cost, 0.0) < target
        if self.root.value >= target or not pool.any():
            return target
        nobody = np.zeros(len(pool), np.bool_)
        first = _Tree(self, target, pool, self.prices.rows).node(nobody, ~pool, self.root.value)
        heap: list[_Node] = []
        current, lowest_leaf = first, target
        while (current is not None or heap) and self.work_left > 0:
            # Children follow their parent where they can: the solver starts from where it was.
            node = current or heapq.heappop(heap)
            still_open = node.children()
            if not still_open and node.vendor < 0:
                lowest_leaf = min(lowest_leaf, node.bound)
            current = still_open.pop() if still_open else None
            for child in still_open:
                heapq.heappush(heap, child)
        unfinished = [*heap, *([current] if current else [])]
        return min(lowest_leaf, min((node.bound for node in unfinished), default=target))


class _Tree:
    """The nodes that share a linear program: those of one target with some vendors in the pool."""

    def __init__(self, branching: Branching, target: float, pool: Flags, prices: Floats) -> None:
        self._branching, self._target = branching, target
        self._size = int(pool.sum())
        self._lagrangean = branching.lagrangean.among(pool)
        compiled, limit = self._lagrangean.compiled, self._lagrangean.unfilled_limit
        self._program = PoolProgram(compiled, pool, prices, limit, branching.dear)
        self._program.stop_at(target)

    def node(self, is_in: Flags, is_out: Flags, bound: float) -> _Node | None:
        """The node with some vendors in and out; None if no plan there costs less than the target."""
        before = self._program.iterations
        prices = self._program.solve(is_in, is_out)
        self._branching.work_left -= self._program.iterations - before
        self._branching.node_count += 1
        number = self._branching.node_count
        self._branching.hit_time_limit |= self._program.hit_time_limit
        if prices is None:
            return _Node(bound, number, is_in, is_out, -1, self)
        found = self._lagrangean.bound(prices.rows, is_in, is_out)
        bound = max(bound, found.value)
        if bound >= self._target - ROUNDING:
            return None
        cost, is_free = found.vendor_cost, ~is_in & ~is_out
        is_out = is_out | (is_free & (found.value + np.maximum(cost, 0.0) >= self._target))
        is_in = is_in | (is_free & ~is_out & (found.value - np.minimum(cost, 0.0) >= self._target))
        is_free &= ~is_in & ~is_out
        if (~is_out).sum() < SHRINKS * self._size and (self._size > FEW or not is_free.any()):
            # Far fewer vendors: a program of their own is smaller, and knows their prices.
            return _Tree(self._branching, self._target, ~is_out, prices.rows).node(is_in, is_out, bound)
        self._branching.sets.append(np.flatnonzero(is_in | (is_free & (prices.wanted > 0.5))))
        score = np.where(is_free, np.minimum(prices.wanted, 1 - prices.wanted) + WHOLE, -1.0)
        vendor = int(np.argmax(score)) if is_free.any() else -1
        return _Node(bound, number, is_in, is_out, vendor, self)
