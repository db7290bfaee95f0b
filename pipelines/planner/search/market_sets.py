"""Which vendors to buy from when thousands sell: a local search that looks only at the vendors of the set at hand.

A set of ten vendors has about a thousand uses, however large the market, so that its cost takes a fraction of a millisecond.
One pass over all uses ranks all vendors by what adding them would save at most: against the price of each portion's dearest
piece. Pieces are taken as in vendor_sets.py, and orders cost what order_costs.py says.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from pipelines.planner.search.order_costs import OrderCosts
from pipelines.planner.search.vendor_sets import bought_for, searched_uses, worth_of
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.tolerances import IMPROVES

ADDS_PER_DROP = 15
"""Vendors that are tried when one may be added, with or without dropping another: those that save most."""

NEAR_BEST = 1.002
"""Where the costs of sets are exact, only sets up to so many times as dear as the best become plans."""


@dataclass(frozen=True)
class UsesByVendor:
    """Direct uses by vendor, each vendor's in the order in which they are taken.

    Attributes:
        start: where every vendor's uses start, and their number.
        rank: place in the order in which uses are taken: by turn (portions that share stock take turns), portion and price.
        turn, portion, offer, price, share: of the uses; prices as costs; a use takes ``share`` pieces at most.
        last_turn: number of turns less one.
        short: cost of a piece that nobody in a set sells, by portion.
        fixed: what an order costs beside its goods, at least, by vendor: what adding the vendor must save.
        is_exact: no vendor has rules, so that the cost of a set of vendors is about what its plan costs.
    """

    arrays: ProblemArrays
    costs: OrderCosts
    start: Ints
    rank: Ints
    turn: Ints
    portion: Ints
    offer: Ints
    price: Floats
    share: Floats
    last_turn: int
    short: Floats
    fixed: Floats
    is_exact: bool

    @classmethod
    def of(cls, arrays: ProblemArrays, uses: Flags, factor: Floats) -> UsesByVendor:
        """Some uses, at the vendors' factors on goods."""
        searched = searched_uses(arrays, uses, None, factor)
        use, turns = searched.use, np.zeros(len(searched.use), np.int64)
        for number, part in enumerate(searched.passes):
            turns[part] = number
        offer = arrays.use_offer[use]
        vendor = arrays.offer_vendor[offer]
        spread = (arrays.offer_spread * arrays.offer_price)[offer]
        price = spread * factor[vendor]
        order = np.lexsort((np.arange(len(use)), vendor))
        start = np.searchsorted(vendor[order], np.arange(len(arrays.vendors) + 1))
        costs = searched.costs
        fixed = np.where(np.isfinite(costs.start), costs.fixed, np.inf).min(axis=1)
        dearest = np.zeros(len(arrays.need))
        np.maximum.at(dearest, arrays.use_portion[use], price)
        return cls(
            arrays,
            costs,
            start,
            order,
            turns[order],
            arrays.use_portion[use][order],
            offer[order],
            price[order],
            searched.share[order],
            int(turns.max(initial=0)),
            dearest + 2 * arrays.typical_charge,
            fixed,
            bool(arrays.vendors.has_one_price.all()) and not arrays.is_counted.any(),
        )

    @cached_property
    def seller(self) -> Ints:
        """Vendors of the uses."""
        return np.repeat(np.arange(len(self.fixed)), np.diff(self.start))

    def costs_of(self, sets: Sequence[tuple[int, ...]]) -> list[tuple[float, Floats]]:
        """About what it costs to buy from each of some sets of vendors, and what each portion's dearest piece costs.

        All sets at once: for the thousand uses of one set, calling numpy takes longer than what it does.
        """
        arrays, vendors = self.arrays, np.array(sorted({v for vendors in sets for v in vendors}), np.int64)
        parts = [np.arange(self.start[vendor], self.start[vendor + 1]) for vendor in vendors]
        use = np.concatenate(parts) if parts else np.zeros(0, np.int64)
        use = use[np.argsort(self.rank[use])]
        place = np.zeros(len(self.fixed), np.int64)
        place[vendors] = np.arange(len(vendors))
        member = np.zeros((len(sets), len(vendors)), np.bool_)
        for row, of_set in zip(member, sets, strict=True):
            row[place[list(of_set)]] = True
        offers, offer_at = np.unique(self.offer[use], return_inverse=True)
        left = np.tile(arrays.offer_most[offers].astype(np.float64), len(sets))
        stock = left.copy()
        portions = len(arrays.need)
        missing = np.tile(arrays.need.astype(np.float64), len(sets))
        dearest = np.tile(np.where(arrays.need > 0, self.short, 0.0), len(sets))
        bounds = np.searchsorted(self.turn[use], np.arange(self.last_turn + 2)).tolist()
        for begin, end in zip(bounds[:-1], bounds[1:], strict=True):
            in_set, mine = np.nonzero(member[:, place[self.seller[use[begin:end]]]])
            if not len(mine):
                continue
            mine += begin
            at = in_set * len(offers) + offer_at[mine]
            mine = use[mine]
            cell = in_set * portions + self.portion[mine]
            changes = np.empty(len(cell), np.bool_)
            changes[0] = True
            np.not_equal(cell[1:], cell[:-1], out=changes[1:])
            first = np.flatnonzero(changes)
            filled = first[np.cumsum(changes) - 1]
            share = np.minimum(self.share[mine], left[at])
            reached = np.cumsum(share)
            before = reached - share
            before -= before[filled]
            need = arrays.need[self.portion[mine]]
            taken = np.minimum(before + share, need) - np.minimum(before, need)
            left[at] -= taken
            cells = cell[first]
            missing[cells] -= np.add.reduceat(taken, first)
            paid = np.maximum.reduceat(np.where(taken > 0, self.price[mine], 0.0), first)
            dearest[cells] = np.where(missing[cells] > 0.5, self.short[cells % portions], paid)
        sold = np.flatnonzero(left < stock)
        in_set, offer = sold // max(len(offers), 1), offers[sold % max(len(offers), 1)]
        worth = worth_of(arrays, offer, bought_for(arrays, offer, (stock - left)[sold]))
        goods = np.bincount(in_set * len(vendors) + place[arrays.offer_vendor[offer]], worth, member.size)
        total = self.costs.of_goods(goods.reshape(member.shape).astype(np.float64), vendors).sum(axis=1)
        missing, dearest = missing.reshape(len(sets), -1), dearest.reshape(len(sets), -1)
        total += missing @ self.short
        charge = arrays.offer_assortment[offer]
        inside = charge >= 0
        if inside.any():
            charges, at = np.unique(charge[inside], return_inverse=True)
            subtotals = np.bincount(in_set[inside] * len(charges) + at, worth[inside], len(sets) * len(charges))
            total += self.costs.of_assortments(subtotals.astype(np.float64).reshape(len(sets), -1), charges).sum(axis=1)
        return list(zip(total.tolist(), dearest, strict=True))

    def savings(self, dearest: Floats) -> Floats:
        """What adding each vendor would save at most, against what portions pay now, less its fixed charge."""
        gain = np.maximum(dearest[self.portion] - self.price, 0.0) * self.share
        return np.bincount(self.seller, gain, len(self.fixed)) - self.fixed


@dataclass
class VendorSearch:
    """Adds, drops and swaps vendors while that pays, and remembers the cost of every set it has tried.

    Attributes:
        limit: most vendors in a set.
        keep: how many sets count as the best.
        forced: vendors in every set.
        evaluations: sets costed so far.
        known: cost and dearest prices of every set costed.
    """

    uses_by_vendor: UsesByVendor
    limit: int | None = None
    keep: int = 12
    forced: frozenset[int] = frozenset()
    evaluations: int = 0
    known: dict[tuple[int, ...], tuple[float, Floats]] = field(default_factory=dict)

    def cost(self, vendors: tuple[int, ...]) -> float:
        """About what a set costs."""
        return self._costed(vendors)[0]

    def paid(self, vendors: tuple[int, ...]) -> Floats:
        """What each portion's dearest piece costs when a set is bought from."""
        return self._costed(vendors)[1]

    def _costed(self, vendors: tuple[int, ...]) -> tuple[float, Floats]:
        self.cost_all([vendors])
        return self.known[vendors]

    def cost_all(self, sets: Sequence[tuple[int, ...]]) -> None:
        """Work out the costs of sets that are not known yet."""
        fresh = [vendors for vendors in sets if vendors not in self.known]
        if fresh:
            self.evaluations += len(fresh)
            self.known.update(zip(fresh, self.uses_by_vendor.costs_of(fresh), strict=True))

    def best(self, count: int | None = None) -> list[tuple[int, ...]]:
        """The best sets so far, best first: ``keep`` of them, or another number."""
        most = NEAR_BEST * min(cost for cost, _ in self.known.values()) if self.uses_by_vendor.is_exact else np.inf
        near = [vendors for vendors, (cost, _) in self.known.items() if cost <= most]
        ranked = sorted(near, key=lambda vendors: (self.known[vendors][0], vendors))
        return ranked[: self.keep if count is None else count]

    def descend(self, vendors: Sequence[int]) -> tuple[int, ...]:
        """A set that no addition, removal or promising swap improves; the first kind of step that pays is taken."""
        current = tuple(sorted({*vendors, *self.forced}))
        while True:
            for group in self.neighbours(current):
                self.cost_all(group)
                better = min(((self.cost(other), other) for other in group), default=(np.inf, current))
                if better[0] < self.cost(current) - IMPROVES:
                    current = better[1]
                    break
            else:
                return current

    def neighbours(self, current: tuple[int, ...]) -> Iterator[list[tuple[int, ...]]]:
        """Three groups of sets: with one vendor more; with one fewer; with one in another's place."""
        yield list(self._with_one_more(current))
        fewer = [tuple(v for v in current if v != vendor) for vendor in current if vendor not in self.forced]
        yield fewer
        for rest in sorted(fewer, key=self.cost):  # what is missed least is swapped first
            yield list(self._with_one_more(rest, self.cost(rest) - self.cost(current)))

    def _with_one_more(self, current: tuple[int, ...], least_saving: float = 0.0) -> Iterator[tuple[int, ...]]:
        """Sets with one vendor more; where costs are exact, only those that may save more than ``least_saving``."""
        if self.limit is not None and len(current) >= self.limit:
            return
        savings = self.uses_by_vendor.savings(self._costed(current)[1])
        savings[list(current)] = -np.inf
        count = min(ADDS_PER_DROP, len(savings))
        likely = np.argpartition(-savings, count - 1)[:count]
        least = least_saving if self.uses_by_vendor.is_exact else 0.0
        for vendor in sorted(likely[savings[likely] > least].tolist()):
            yield tuple(sorted((*current, vendor)))

    def restart(self, likely: Sequence[int], rounds: int, seed: int = 0) -> tuple[int, ...]:
        """Change the best set at random and improve it again: a few vendors go, a few likely ones come."""
        rng = np.random.default_rng(seed)
        best = self.best()[0]
        for _ in range(rounds):
            kept = list(best)
            for _ in range(min(len(kept) - 1, int(rng.integers(2, 5)))):
                kept.pop(int(rng.integers(len(kept))))
            added = rng.choice(len(likely), min(len(likely), int(rng.integers(1, 4))), replace=False)
            fresh = self.descend([*kept, *(likely[index] for index in added)])
            if self.cost(fresh) < self.cost(best) - IMPROVES:
                best = fresh
        return best
