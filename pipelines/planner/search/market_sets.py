"""Which vendors to buy from when thousands sell: a local search that only ever looks at the vendors of the set at hand.

A set of ten vendors has about a thousand uses, however large the market, so that costing it takes a fraction of a millisecond.
Vendors worth adding are ranked by what they would save against the price each portion pays for its dearest piece, for all
vendors in one pass over all uses. How the pieces are taken is as in search.py; what orders cost is orders.py's.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from pipelines.planner.search.order_costs import Costs
from pipelines.planner.search.vendor_sets import bought_for, ground_of, worth_of
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled

ADDS_PER_DROP = 15
"""Vendors tried in the place of one that is dropped."""

NEAR_BEST = 1.002
"""Sets of which plans are made are at most so many times dearer than the best, where costs of sets are no guess."""


@dataclass(frozen=True)
class Shelves:
    """Direct uses by vendor, each vendor's in the order in which they are taken.

    Attributes:
        start: where every vendor's uses start, and their number.
        rank: place in the order in which uses are taken: by turn (portions that share stock take turns), portion and price.
        turn, portion, offer, price, share: of the uses; prices in the buyer's currency, shares as the most a use can take.
        last_turn: number of turns less one.
        short: cost of a piece that nobody in a set sells.
        fixed: what an order costs beside goods, at least: the saving that a vendor must beat.
        is_exact: no vendor has rules, so that what a set of vendors costs is hardly a guess.
    """

    compiled: Compiled
    costs: Costs
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
    def of(cls, compiled: Compiled, uses: Flags, factor: Floats) -> Shelves:
        """Shelves of some uses, at the vendors' factors on goods."""
        ground = ground_of(compiled, uses, None, factor)
        use, turns = ground.use, np.zeros(len(ground.use), np.int64)
        for number, part in enumerate(ground.passes):
            turns[part] = number
        offer = compiled.use_offer[use]
        vendor = compiled.offer_vendor[offer]
        spread = (compiled.offer_spread * compiled.offer_price)[offer]
        price = spread * factor[vendor]
        order = np.lexsort((np.arange(len(use)), vendor))
        start = np.searchsorted(vendor[order], np.arange(len(compiled.vendors) + 1))
        costs = ground.costs
        fixed = np.where(np.isfinite(costs.start), costs.fixed, np.inf).min(axis=1)
        dearest = np.zeros(len(compiled.need))
        np.maximum.at(dearest, compiled.use_portion[use], price)
        return cls(
            compiled,
            costs,
            start,
            order,
            turns[order],
            compiled.use_portion[use][order],
            offer[order],
            price[order],
            ground.share[order],
            int(turns.max(initial=0)),
            dearest + 2 * costs.typical_fixed,
            fixed,
            bool(compiled.vendors.has_one_price.all()) and not compiled.is_counted.any(),
        )

    @cached_property
    def seller(self) -> Ints:
        """Vendors of the uses."""
        return np.repeat(np.arange(len(self.fixed)), np.diff(self.start))

    def costs_of(self, sets: Sequence[tuple[int, ...]]) -> list[tuple[float, Floats]]:
        """What buying from each of some sets of vendors costs, about, and what each portion pays for its dearest piece.

        All sets are costed at once: numpy's calls cost more than what they do for the thousand uses of one set.
        """
        compiled, vendors = self.compiled, np.array(sorted({v for vendors in sets for v in vendors}), np.int64)
        parts = [np.arange(self.start[vendor], self.start[vendor + 1]) for vendor in vendors]
        use = np.concatenate(parts) if parts else np.zeros(0, np.int64)
        use = use[np.argsort(self.rank[use])]
        place = np.zeros(len(self.fixed), np.int64)
        place[vendors] = np.arange(len(vendors))
        member = np.zeros((len(sets), len(vendors)), np.bool_)
        for row, of_set in zip(member, sets, strict=True):
            row[place[list(of_set)]] = True
        offers, offer_at = np.unique(self.offer[use], return_inverse=True)
        left = np.tile(compiled.offer_most[offers].astype(np.float64), len(sets))
        stock = left.copy()
        portions = len(compiled.need)
        missing = np.tile(compiled.need.astype(np.float64), len(sets))
        dearest = np.tile(np.where(compiled.need > 0, self.short, 0.0), len(sets))
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
            need = compiled.need[self.portion[mine]]
            taken = np.minimum(before + share, need) - np.minimum(before, need)
            left[at] -= taken
            cells = cell[first]
            missing[cells] -= np.add.reduceat(taken, first)
            paid = np.maximum.reduceat(np.where(taken > 0, self.price[mine], 0.0), first)
            dearest[cells] = np.where(missing[cells] > 0.5, self.short[cells % portions], paid)
        sold = np.flatnonzero(left < stock)
        in_set, offer = sold // max(len(offers), 1), offers[sold % max(len(offers), 1)]
        worth = worth_of(compiled, offer, bought_for(compiled, offer, (stock - left)[sold]))
        goods = np.bincount(in_set * len(vendors) + place[compiled.offer_vendor[offer]], worth, member.size)
        total = self.costs.of_goods(goods.reshape(member.shape).astype(np.float64), vendors).sum(axis=1)
        missing, dearest = missing.reshape(len(sets), -1), dearest.reshape(len(sets), -1)
        total += missing @ self.short
        charge = compiled.offer_assortment[offer]
        inside = charge >= 0
        if inside.any():
            charges, at = np.unique(charge[inside], return_inverse=True)
            subtotals = np.bincount(in_set[inside] * len(charges) + at, worth[inside], len(sets) * len(charges))
            total += self.costs.of_assortments(subtotals.astype(np.float64).reshape(len(sets), -1), charges).sum(axis=1)
        return list(zip(total.tolist(), dearest, strict=True))

    def savings(self, dearest: Floats) -> Floats:
        """What every vendor would save at most against what portions pay now, less its fixed charge."""
        gain = np.maximum(dearest[self.portion] - self.price, 0.0) * self.share
        return np.bincount(self.seller, gain, len(self.fixed)) - self.fixed


@dataclass
class VendorSearch:
    """Adds, drops and swaps vendors while that pays; remembers what it has costed.

    Attributes:
        limit: most vendors in a set.
        keep: sets that count as the best.
        forced: vendors in every set.
        evaluations: sets costed so far.
        known: cost and dearest prices of every set costed.
    """

    shelves: Shelves
    limit: int | None = None
    keep: int = 12
    forced: frozenset[int] = frozenset()
    evaluations: int = 0
    known: dict[tuple[int, ...], tuple[float, Floats]] = field(default_factory=dict)

    def cost(self, vendors: tuple[int, ...]) -> float:
        """What a set costs, about."""
        return self._decided(vendors)[0]

    def paid(self, vendors: tuple[int, ...]) -> Floats:
        """What each portion pays for its dearest piece when a set is bought from."""
        return self._decided(vendors)[1]

    def _decided(self, vendors: tuple[int, ...]) -> tuple[float, Floats]:
        self.decide([vendors])
        return self.known[vendors]

    def decide(self, sets: Sequence[tuple[int, ...]]) -> None:
        """Cost all that was not costed before."""
        fresh = [vendors for vendors in sets if vendors not in self.known]
        if fresh:
            self.evaluations += len(fresh)
            self.known.update(zip(fresh, self.shelves.costs_of(fresh), strict=True))

    def best(self, count: int | None = None) -> list[tuple[int, ...]]:
        """The best sets seen, best first: ``keep`` of them, or another number."""
        most = NEAR_BEST * min(cost for cost, _ in self.known.values()) if self.shelves.is_exact else np.inf
        near = [vendors for vendors, (cost, _) in self.known.items() if cost <= most]
        ranked = sorted(near, key=lambda vendors: (self.known[vendors][0], vendors))
        return ranked[: self.keep if count is None else count]

    def descend(self, vendors: Sequence[int]) -> tuple[int, ...]:
        """A set that no single addition, removal or promising swap improves; the first kind of step that pays is taken."""
        current = tuple(sorted({*vendors, *self.forced}))
        while True:
            for group in self.neighbours(current):
                self.decide(group)
                better = min(((self.cost(other), other) for other in group), default=(np.inf, current))
                if better[0] < self.cost(current) - 1e-9:
                    current = better[1]
                    break
            else:
                return current

    def neighbours(self, current: tuple[int, ...]) -> Iterator[list[tuple[int, ...]]]:
        """Sets with one vendor more; with one fewer; with one in another's place."""
        yield list(self._with_one_more(current))
        fewer = [tuple(v for v in current if v != vendor) for vendor in current if vendor not in self.forced]
        yield fewer
        for rest in sorted(fewer, key=self.cost):  # what is missed least is swapped first
            yield list(self._with_one_more(rest, self.cost(rest) - self.cost(current)))

    def _with_one_more(self, current: tuple[int, ...], worth: float = 0.0) -> Iterator[tuple[int, ...]]:
        """Sets with one vendor more; only such, where sets are costed truly, as may save more than ``worth``."""
        if self.limit is not None and len(current) >= self.limit:
            return
        savings = self.shelves.savings(self._decided(current)[1])
        savings[list(current)] = -np.inf
        count = min(ADDS_PER_DROP, len(savings))
        likely = np.argpartition(-savings, count - 1)[:count]
        least = worth if self.shelves.is_exact else 0.0
        for vendor in sorted(likely[savings[likely] > least].tolist()):
            yield tuple(sorted((*current, vendor)))

    def restart(self, needed: Sequence[int], rounds: int, seed: int = 0) -> tuple[int, ...]:
        """Shake the best set: a few vendors go, a few needed ones come, and it is improved again."""
        rng = np.random.default_rng(seed)
        best = self.best()[0]
        for _ in range(rounds):
            kept = list(best)
            for _ in range(min(len(kept) - 1, int(rng.integers(2, 5)))):
                kept.pop(int(rng.integers(len(kept))))
            added = rng.choice(len(needed), min(len(needed), int(rng.integers(1, 4))), replace=False)
            fresh = self.descend([*kept, *(needed[index] for index in added)])
            if self.cost(fresh) < self.cost(best) - 1e-9:
                best = fresh
        return best
