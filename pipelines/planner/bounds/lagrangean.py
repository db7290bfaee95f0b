"""A lower bound of the whole problem from any prices of portions, in one pass over all uses.

Each portion pays its price for its pieces. At these prices each vendor is looked at alone: does an order to it pay, and in which
band? Whatever the prices are, no plan costs less than what the portions pay, less what the vendors gain. Good prices come from
a linear program (vendor_branching.py).

A vendor in a band that starts at some goods value must reach it. That demand has a price too: the order costs ``theta`` times
the band's start, and every piece is worth ``theta`` more per unit of goods. Of a few thetas the best counts. In this way the
charge that a waiver waives is replaced by what reaching the waiver costs. Handling charges are treated in the same way.

Offers are bought in whole packs at their price steps (ruled_vendors.py). Left out, which only lowers the bound: colours of
groups, limits on orders, and charges by size.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipelines.planner.bounds.offers_in_parts import offers_in_parts
from pipelines.planner.bounds.ruled_vendors import RuledOrders, RuledVendors
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays

WORK_PER_RULED = 5
"""A bound takes each vendor with rules for about as long as so many units of a linear program's work."""

USES_AT_ONCE = 20_000
"""Vendors with rules are looked at together up to so many uses."""


@dataclass(frozen=True)
class Bound:
    """What prices prove.

    Attributes:
        value: no plan with at most the given number of pieces unfilled costs less.
        vendor_cost: the least that an order adds, by vendor: a plan that uses vendors S costs at least ``base`` plus the sum
            of ``vendor_cost`` over S.
        base: what the portions pay.
    """

    value: float
    vendor_cost: Floats
    base: float


@dataclass(frozen=True)
class Lagrangean:
    """The arrays of the bound. Rows are the portions, then the components of combinations.

    Attributes:
        use: the uses that are looked at; the other use_* are theirs.
        use_row, use_pair: the row that a use serves, and its (kind of offer, row) pair.
        use_stock, use_want: how many pieces its offer has, and how many the row can take.
        use_price: least goods value of a piece used.
        pair_kind, pair_row: of the pairs.
        row_want: pieces that each row can take.
    """

    arrays: ProblemArrays
    unfilled_limit: int
    use: Ints
    use_row: Ints
    use_pair: Ints
    use_stock: Floats
    use_want: Floats
    use_price: Floats
    pair_kind: Ints
    pair_row: Ints
    row_want: Floats

    @classmethod
    def of(cls, arrays: ProblemArrays, unfilled_limit: int) -> Lagrangean:
        """The arrays of all uses, for plans that leave at most a number of pieces unfilled."""
        arrays = offers_in_parts(arrays)
        offer = arrays.use_offer
        row = np.where(arrays.use_combination < 0, arrays.use_portion, len(arrays.need) + arrays.use_component)
        kind = _kinds(offer, row, len(arrays.offer_row))
        pairs, pair = np.unique(np.stack([kind[offer], row]), axis=1, return_inverse=True)
        want = np.concatenate(
            [
                arrays.need,
                arrays.need[arrays.combination_portion[arrays.component_combination]] * arrays.component_count,
            ]
        ).astype(np.float64)
        return cls(
            arrays,
            unfilled_limit,
            np.arange(len(offer)),
            row,
            pair.ravel(),
            arrays.offer_most[offer].astype(np.float64),
            want[row],
            arrays.offer_lowest[offer],
            pairs[0],
            pairs[1],
            want,
        )

    @cached_property
    def _vendor(self) -> Ints:
        return self.arrays.offer_vendor[self.arrays.use_offer[self.use]]

    @cached_property
    def is_simple(self) -> Flags:
        """Vendors with one fixed charge and one factor, without handling charges, packs or price steps."""
        arrays = self.arrays
        simple = np.array([terms.is_one_band for terms in arrays.vendors.bands], np.bool_)
        simple[arrays.handling_vendor] = False
        simple[arrays.offer_vendor[arrays.is_stepped | (arrays.step_least[arrays.step_start[:-1]] > 1)]] = False
        return simple

    @cached_property
    def _fixed(self) -> Floats:
        return np.array([float(terms.bands[0].fixed) if terms.bands else np.inf for terms in self.arrays.vendors.bands])

    @cached_property
    def fixed_or_zero(self) -> Floats:
        """The fixed charge of every vendor's lowest band; 0 where nothing can be ordered."""
        return np.where(np.isfinite(self._fixed), self._fixed, 0.0)

    @cached_property
    def factor(self) -> Floats:
        """What goods cost in every vendor's lowest band, per unit."""
        return np.array([float(terms.bands[0].factor) if terms.bands else 0.0 for terms in self.arrays.vendors.bands])

    def shares(self, prices: Floats) -> Floats:
        """Pieces by use when each offer serves the rows that pay most first, which is what it gains most by."""
        order = np.lexsort((self.pair_row, -prices[self.pair_row], self.pair_kind))
        wants = self.row_want[self.pair_row[order]]
        before = np.cumsum(wants) - wants
        changes = np.append(True, np.diff(self.pair_kind[order]) != 0)
        taken = np.empty(len(order))
        taken[order] = before - before[changes][np.cumsum(changes) - 1]
        return np.clip(self.use_stock - taken[self.use_pair], 0.0, self.use_want)

    def among(self, vendors: Flags) -> Lagrangean:
        """The same for plans that use no vendors but some: as if all others had nothing."""
        mine = np.flatnonzero(vendors[self._vendor])
        parts = {
            name: getattr(self, name)[mine]
            for name in ("use", "use_row", "use_pair", "use_stock", "use_want", "use_price")
        }
        return replace(self, **parts)

    @cached_property
    def order_vendor(self) -> Ints:
        """The vendor of every possible order: one in each of a vendor's bands, at least one per vendor."""
        count = [max(1, len(terms.bands)) for terms in self.arrays.vendors.bands]
        return np.repeat(np.arange(len(count)), count)

    def bound(
        self, prices: Floats, is_in: Flags | None = None, is_out: Flags | None = None, is_shut: Flags | None = None
    ) -> Bound:
        """The bound that some prices prove.

        This is the Lagrangean relaxation of "every portion gets its pieces": Fisher, The Lagrangian relaxation method for
        solving integer programming problems, Management Science 27 (1981) 1-18, doi 10.1287/mnsc.27.1.1.

        Args:
            prices: by row and piece. Any will do; portions' prices below 0 count as 0.
            is_in, is_out: vendors that the plans all use (beside the forced ones), and vendors that they don't use.
            is_shut: orders, as ``order_vendor`` numbers them, that the plans don't place.
        """
        prices = self._at_least_zero(prices)
        base, cost = self._base(prices), self._simple_orders(prices)
        for ruled, orders in self._orders(prices):
            cost[ruled.number] = self._open(ruled, orders, is_shut).min(axis=1)
        nobody = np.zeros(len(cost), np.bool_)
        is_in, is_out = (nobody if flags is None else flags for flags in (is_in, is_out))
        is_in = is_in | self.arrays.vendors.is_forced
        gains = np.sort(np.minimum(cost[~is_in & ~is_out], 0.0))
        limit = self.arrays.maximum_vendor_count
        others = len(gains) if limit is None else max(0, limit - int(is_in.sum()))
        return Bound(base + float(cost[is_in].sum() + gains[:others].sum()), cost, base)

    def priced_orders(self, prices: Floats, vendors: Flags) -> dict[int, list[tuple[float, Floats]]]:
        """For those of some vendors that have rules: by band, a fixed charge and a price per offer that bound best at some prices.

        At the given prices, the charge and the pieces at these prices cost what an order in the band adds to ``bound``.
        """
        found: dict[int, list[tuple[float, Floats]]] = {}
        for ruled, orders in self._orders(self._at_least_zero(prices)):
            for band in range(orders.least.shape[1]):
                charge, unit = orders.unit_prices(band)
                by_offer = np.zeros(len(self.arrays.offer_row))
                by_offer[ruled.offer] = unit
                for place, number in enumerate(ruled.number.tolist()):
                    if vendors[number] and band < len(self.arrays.vendors.bands[number].bands):
                        found.setdefault(number, []).append((float(charge[place]), by_offer))
        return found

    def _at_least_zero(self, prices: Floats) -> Floats:
        portions = len(self.arrays.need)
        return np.append(np.maximum(prices[:portions], 0.0), prices[portions:])

    def _simple_orders(self, prices: Floats) -> Floats:
        """The least that an order adds at vendors without rules."""
        paid, shares = prices[self.use_row], self.shares(prices)
        gains = np.maximum(paid - self.use_price * self.factor[self._vendor], 0.0) * shares
        cost: Floats = self._fixed - np.bincount(self._vendor, gains, len(self.is_simple))
        return cost

    def _orders(self, prices: Floats) -> list[tuple[RuledVendors, RuledOrders]]:
        paid = prices[self.use_row]
        return [(ruled, ruled.orders(paid)) for ruled in self._ruled]

    def _open(self, ruled: RuledVendors, orders: RuledOrders, is_shut: Flags | None) -> Floats:
        """The least that orders add by vendor and band, infinity in bands in which none is placed."""
        if is_shut is None or not is_shut.any():
            return orders.least
        order = self._first_order[ruled.number][:, None] + np.arange(orders.least.shape[1])
        shut = is_shut[np.minimum(order, len(is_shut) - 1)]  # beyond a vendor's bands there is nothing to shut
        return np.where(shut, np.inf, orders.least)

    @cached_property
    def work(self) -> int:
        """What a bound takes beside one pass over all uses, in the unit of ``VendorRelaxation.work``."""
        return WORK_PER_RULED * sum(len(ruled.number) for ruled in self._ruled)

    @cached_property
    def _ruled(self) -> list[RuledVendors]:
        """The vendors with rules and uses, some at a time."""
        order = np.argsort(self._vendor, kind="stable")
        start = np.searchsorted(self._vendor[order], np.arange(len(self.is_simple) + 1))
        numbers = np.flatnonzero(~self.is_simple & (np.diff(start) > 0))
        at = np.cumsum(np.diff(start)[numbers]) // USES_AT_ONCE
        found = []
        for part in np.unique(at).tolist():
            mine = numbers[at == part]
            uses = np.concatenate([order[start[number] : start[number + 1]] for number in mine.tolist()])
            offer = self.arrays.use_offer[self.use[uses]]
            found.append(RuledVendors.of(self.arrays, mine, uses, offer, self.use_want[uses]))
        return found

    def _base(self, prices: Floats) -> float:
        """What the portions pay, less what may stay unfilled, and less what combinations gain by prices that don't match."""
        arrays, portions = self.arrays, len(self.arrays.need)
        base = float(arrays.need @ prices[:portions])
        order = np.argsort(-prices[:portions], kind="stable")
        skipped = np.diff(np.minimum(np.cumsum(arrays.need[order]), self.unfilled_limit), prepend=0)
        base -= float(skipped @ prices[order])
        parts = np.bincount(
            arrays.component_combination,
            arrays.component_count * prices[portions:],
            len(arrays.combination_portion),
        )
        missing = np.minimum(parts - prices[arrays.combination_portion], 0.0)
        return base + float(arrays.need[arrays.combination_portion] @ missing)

    @cached_property
    def _first_order(self) -> Ints:
        return np.searchsorted(self.order_vendor, np.arange(len(self.is_simple)))


def _kinds(offer: Ints, row: Ints, count: int) -> Ints:
    """Numbers of the kinds of offers: offers of one kind serve the same rows."""
    order = np.lexsort((row, offer))
    start = np.searchsorted(offer[order], np.arange(count + 1)).tolist()
    rows = row[order]
    known: dict[bytes, int] = {}
    kinds = [known.setdefault(rows[start[o] : start[o + 1]].tobytes(), len(known)) for o in range(count)]
    return np.array(kinds, np.int64)
