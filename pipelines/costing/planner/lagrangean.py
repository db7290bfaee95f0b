"""A lower bound of the whole problem from any prices of portions, in one pass over all uses.

Lagrangean relaxation of "every portion gets its pieces" (Fisher, The Lagrangian relaxation method for solving integer programming
problems, Management Science 27 (1981) 1-18): pay every portion's price for its pieces, and every vendor decides alone whether,
and in which band, an order to it pays. Whatever the prices, no plan costs less than what they bring in plus what the vendors
gain; good prices come from a linear program (vendor_branching.py).

A vendor in a band that starts at a goods value must reach it; that demand is priced, too: its order costs ``theta`` times the
band's start, and every piece is worth ``theta`` more per unit of goods, for a few thetas of which the best counts. The charge
that a waiver waives is so replaced by what reaching the waiver costs. Handling charges likewise. Not stated, which only lowers
the bound: colours of groups, limits on orders, charges by size, price steps but for the lowest price, what multiples leave over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipelines.costing.planner.compiled import Compiled, Flags, Floats, Ints

LEVELS = (0.0, 0.25, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.925, 0.95, 0.975)
"""Factors on goods, as shares of a vendor's highest, at which vendors with thresholds are looked at beside their bands' own."""


@dataclass(frozen=True)
class Bound:
    """What prices prove.

    Attributes:
        value: no plan with at most the given number of pieces unfilled costs less.
        vendor_cost: by vendor, the least an order to it adds: a plan that uses vendors S costs at least ``base`` plus the sum
            of ``vendor_cost`` over S.
        base: what the prices bring in.
    """

    value: float
    vendor_cost: Floats
    base: float


@dataclass(frozen=True)
class Lagrangean:
    """The arrays of the bound. Rows are the portions, then the components of make-ups.

    Attributes:
        use: uses considered; the other use_* are theirs.
        use_row, use_pair: the row that a use serves, and its (kind of offer, row) pair.
        use_stock, use_want: pieces of its offer that there are, and that the row can take.
        use_price: least price of a piece used, in the vendor's currency.
    """

    compiled: Compiled
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
    def of(cls, compiled: Compiled, unfilled_limit: int) -> Lagrangean:
        """Of all uses, for plans that leave at most a number of pieces unfilled."""
        offer = compiled.use_offer
        row = np.where(compiled.use_makeup < 0, compiled.use_portion, len(compiled.need) + compiled.use_component)
        kind = _kinds(offer, row, len(compiled.offer_row))
        pairs, pair = np.unique(np.stack([kind[offer], row]), axis=1, return_inverse=True)
        want = np.concatenate(
            [
                compiled.need,
                compiled.need[compiled.makeup_portion[compiled.component_makeup]] * compiled.component_count,
            ]
        ).astype(np.float64)
        return cls(
            compiled,
            unfilled_limit,
            np.arange(len(offer)),
            row,
            pair.ravel(),
            compiled.offer_most[offer].astype(np.float64),
            want[row],
            compiled.offer_lowest[offer],
            pairs[0],
            pairs[1],
            want,
        )

    @cached_property
    def _vendor(self) -> Ints:
        return self.compiled.offer_vendor[self.compiled.use_offer[self.use]]

    @cached_property
    def is_simple(self) -> Flags:
        """Vendors with one fixed charge and one factor, without handling charges."""
        simple = np.array([terms.is_one_band for terms in self.compiled.vendors.bands], np.bool_)
        simple[self.compiled.handling_vendor] = False
        return simple

    @cached_property
    def _fixed(self) -> Floats:
        return np.array(
            [float(terms.bands[0].fixed) if terms.bands else np.inf for terms in self.compiled.vendors.bands]
        )

    @cached_property
    def _factor(self) -> Floats:
        return np.array([float(terms.bands[0].factor) if terms.bands else 0.0 for terms in self.compiled.vendors.bands])

    def shares(self, prices: Floats) -> Floats:
        """Most pieces per use when an offer serves the rows that pay most first, which is what earns it most."""
        order = np.lexsort((self.pair_row, -prices[self.pair_row], self.pair_kind))
        wants = self.row_want[self.pair_row[order]]
        before = np.cumsum(wants) - wants
        changes = np.append(True, np.diff(self.pair_kind[order]) != 0)
        taken = np.empty(len(order))
        taken[order] = before - before[changes][np.cumsum(changes) - 1]
        return np.clip(self.use_stock - taken[self.use_pair], 0.0, self.use_want)

    def among(self, vendors: Flags) -> Lagrangean:
        """The same for plans that use none but some vendors; all others seem to have nothing."""
        mine = np.flatnonzero(vendors[self._vendor])
        parts = {
            name: getattr(self, name)[mine]
            for name in ("use", "use_row", "use_pair", "use_stock", "use_want", "use_price")
        }
        return replace(self, **parts)

    def bound(self, prices: Floats, is_in: Flags | None = None, is_out: Flags | None = None) -> Bound:
        """The bound of some prices by row, in the buyer's currency per piece; portions' prices below 0 count as 0.

        Args:
            prices: by row, any.
            is_in, is_out: vendors that plans use for certain (the forced ones do anyhow), and that they don't use.
        """
        portions = len(self.compiled.need)
        prices = np.append(np.maximum(prices[:portions], 0.0), prices[portions:])
        paid, shares = prices[self.use_row], self.shares(prices)
        base = self._base(prices)
        gain = np.maximum(paid - self.use_price * self._factor[self._vendor], 0.0) * shares
        cost = self._fixed - np.bincount(self._vendor, gain, len(self.is_simple))
        for number, uses in self._uses_of_ruled:
            cost[number] = self._ruled(number, paid[uses], self.use_price[uses], shares[uses], uses)
        nobody = np.zeros(len(cost), np.bool_)
        is_in, is_out = (nobody if flags is None else flags for flags in (is_in, is_out))
        is_in = is_in | self.compiled.vendors.is_forced
        gains = np.sort(np.minimum(cost[~is_in & ~is_out], 0.0))
        limit = self.compiled.maximum_vendor_count
        others = len(gains) if limit is None else max(0, limit - int(is_in.sum()))
        return Bound(base + float(cost[is_in].sum() + gains[:others].sum()), cost, base)

    @cached_property
    def _uses_of_ruled(self) -> list[tuple[int, Ints]]:
        order = np.argsort(self._vendor, kind="stable")
        start = np.searchsorted(self._vendor[order], np.arange(len(self.is_simple) + 1))
        return [
            (number, order[start[number] : start[number + 1]]) for number in np.flatnonzero(~self.is_simple).tolist()
        ]

    def _base(self, prices: Floats) -> float:
        """What the portions pay, less what may stay unfilled, and what make-ups gain by prices that don't match."""
        compiled, portions = self.compiled, len(self.compiled.need)
        base = float(compiled.need @ prices[:portions])
        order = np.argsort(-prices[:portions], kind="stable")
        skipped = np.diff(np.minimum(np.cumsum(compiled.need[order]), self.unfilled_limit), prepend=0)
        base -= float(skipped @ prices[order])
        parts = np.bincount(
            compiled.component_makeup, compiled.component_count * prices[portions:], len(compiled.makeup_portion)
        )
        missing = np.minimum(parts - prices[compiled.makeup_portion], 0.0)
        return base + float(compiled.need[compiled.makeup_portion] @ missing)

    def _ruled(self, number: int, paid: Floats, price: Floats, share: Floats, uses: Ints) -> float:
        """The least an order adds at a vendor with bands or handling charges."""
        compiled = self.compiled
        bands = compiled.vendors.bands[number].bands
        if not bands:
            return np.inf
        top = max(float(band.factor) for band in bands)
        levels = sorted({float(band.factor) for band in bands} | {level * top for level in LEVELS})
        charge = compiled.offer_assortment[compiled.use_offer[self.use[uses]]]
        gains = np.maximum(paid[None] - np.array(levels)[:, None] * price[None], 0.0) * share[None]
        value = -gains[:, charge < 0].sum(axis=1)
        for kind in np.unique(charge[charge >= 0]):
            value += self._handling(int(kind), gains[:, charge == kind].sum(axis=1), np.array(levels))
        least = np.inf
        for band in bands:
            theta = float(band.factor) - np.array(levels)
            allowed = theta >= 0
            worth = float(band.fixed) + theta * float(band.start) + value
            least = min(least, float(worth[allowed].max()))
        return least

    def _handling(self, kind: int, gains: Floats, levels: Floats) -> Floats:
        """The least that one assortment adds, by level: not bought, charge paid, or subtotal lifted to the waiver."""
        paid = self.compiled.handling_charge[kind] - gains
        waived_from = self.compiled.handling_waived_from[kind]
        least = np.minimum(0.0, paid)
        if waived_from is not None:
            lifted = (levels[:, None] - levels[None]) * float(waived_from) - gains[None]
            lifted = np.where(levels[:, None] >= levels[None], lifted, -np.inf).max(axis=1)
            least = np.minimum(least, lifted)
        return least


def _kinds(offer: Ints, row: Ints, count: int) -> Ints:
    """Numbers of the kinds of offers: offers of one kind serve the same rows."""
    order = np.lexsort((row, offer))
    start = np.searchsorted(offer[order], np.arange(count + 1)).tolist()
    rows = row[order]
    known: dict[bytes, int] = {}
    kinds = [known.setdefault(rows[start[o] : start[o + 1]].tobytes(), len(known)) for o in range(count)]
    return np.array(kinds, np.int64)
