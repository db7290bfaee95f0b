"""A lower bound of the whole problem from any prices of portions, in one pass over all uses.

Each portion pays its price for its pieces. At these prices each vendor is looked at alone: does an order to it pay, and in which
band? Whatever the prices are, no plan costs less than what the portions pay, less what the vendors gain. Good prices come from
a linear program (vendor_branching.py).

A vendor in a band that starts at some goods value must reach it. That demand has a price too: the order costs ``theta`` times
the band's start, and every piece is worth ``theta`` more per unit of goods. Of a few thetas the best counts. In this way the
charge that a waiver waives is replaced by what reaching the waiver costs. Handling charges are treated in the same way.

Left out, which only lowers the bound: colours of groups, limits on orders, charges by size, price steps but for the lowest
price, and what multiples leave over.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from pipelines.planner.statement.bands import Band
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays

LEVELS = (0.0, 0.25, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.925, 0.95, 0.975)
"""Factors on goods, as shares of a vendor's highest, that are tried for vendors with thresholds beside their bands' own."""

TINY = 1e-9

WORK_PER_RULED = 5
"""A bound takes the vendors with rules one by one; each takes about as long as so many units of a linear program's work."""


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
class _BandArrays:
    """The bands of a vendor with rules as arrays.

    Attributes:
        levels: factors on goods to try.
        fixed, start: of the bands (bands x 1).
        theta: what a unit of goods is worth for reaching the band's start (bands x levels); negative where the level is above
            the band's factor.
    """

    levels: Floats
    fixed: Floats
    start: Floats
    theta: Floats

    @classmethod
    def of(cls, bands: tuple[Band, ...]) -> _BandArrays:
        factors = np.array([float(band.factor) for band in bands])
        top = factors.max(initial=0.0)
        levels = np.array(sorted({*factors.tolist(), *(level * top for level in LEVELS if bands)}))
        fixed, start = (
            np.array([float(getattr(band, name)) for band in bands])[:, None] for name in ("fixed", "start")
        )
        return cls(levels, fixed, start, factors[:, None] - levels[None])


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
        band_arrays: by vendor, its bands.
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
    band_arrays: list[_BandArrays]

    @classmethod
    def of(cls, arrays: ProblemArrays, unfilled_limit: int) -> Lagrangean:
        """The arrays of all uses, for plans that leave at most a number of pieces unfilled."""
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
            [_BandArrays.of(terms.bands) for terms in arrays.vendors.bands],
        )

    @cached_property
    def _vendor(self) -> Ints:
        return self.arrays.offer_vendor[self.arrays.use_offer[self.use]]

    @cached_property
    def is_simple(self) -> Flags:
        """Vendors with one fixed charge and one factor, without handling charges."""
        simple = np.array([terms.is_one_band for terms in self.arrays.vendors.bands], np.bool_)
        simple[self.arrays.handling_vendor] = False
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
        portions = len(self.arrays.need)
        prices = np.append(np.maximum(prices[:portions], 0.0), prices[portions:])
        paid, shares = prices[self.use_row], self.shares(prices)
        base = self._base(prices)
        gain = np.maximum(paid - self.use_price * self.factor[self._vendor], 0.0) * shares
        cost = self._fixed - np.bincount(self._vendor, gain, len(self.is_simple))
        for number, uses in self._uses_of_ruled:
            of_orders = self._least_by_band(number, paid[uses], self.use_price[uses], shares[uses], uses)
            shut = None if is_shut is None else is_shut[self._first_order[number] :][: len(of_orders)]
            cost[number] = np.min(of_orders, initial=np.inf, where=True if shut is None else ~shut)
        nobody = np.zeros(len(cost), np.bool_)
        is_in, is_out = (nobody if flags is None else flags for flags in (is_in, is_out))
        is_in = is_in | self.arrays.vendors.is_forced
        gains = np.sort(np.minimum(cost[~is_in & ~is_out], 0.0))
        limit = self.arrays.maximum_vendor_count
        others = len(gains) if limit is None else max(0, limit - int(is_in.sum()))
        return Bound(base + float(cost[is_in].sum() + gains[:others].sum()), cost, base)

    @cached_property
    def work(self) -> int:
        """What a bound takes beside one pass over all uses, in the unit of ``VendorRelaxation.work``."""
        return WORK_PER_RULED * len(self._uses_of_ruled)

    @cached_property
    def _uses_of_ruled(self) -> list[tuple[int, Ints]]:
        order = np.argsort(self._vendor, kind="stable")
        start = np.searchsorted(self._vendor[order], np.arange(len(self.is_simple) + 1))
        ruled = np.flatnonzero(~self.is_simple & (np.diff(start) > 0))
        return [(number, order[start[number] : start[number + 1]]) for number in ruled.tolist()]

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

    def _least_by_band(self, number: int, paid: Floats, price: Floats, share: Floats, uses: Ints) -> Floats:
        """The least that an order adds at a vendor with bands or handling charges, by band."""
        levels, gains, charge = self._levels(number, paid, price, share, uses)
        return self._worth(number, gains, charge).max(axis=1) if len(levels) else levels

    def _levels(
        self, number: int, paid: Floats, price: Floats, share: Floats, uses: Ints
    ) -> tuple[Floats, Floats, Ints]:
        """Factors on goods to try, what each use gains at them (levels x uses), and the uses' handling charges."""
        levels, arrays = self.band_arrays[number].levels, self.arrays
        gains = np.maximum(paid[None] - levels[:, None] * price[None], 0.0) * share[None]
        return levels, gains, arrays.offer_assortment[arrays.use_offer[self.use[uses]]]

    def _worth(self, number: int, gains: Floats, charge: Ints) -> Floats:
        """The least that an order adds, by band and level; minus infinity where a level is above the band's factor."""
        bands = self.band_arrays[number]
        value = -gains[:, charge < 0].sum(axis=1)
        for kind in np.unique(charge[charge >= 0]):
            value += self._handling(int(kind), gains[:, charge == kind].sum(axis=1), bands.levels)
        return np.where(bands.theta >= 0, bands.fixed + bands.theta * bands.start + value[None], -np.inf)

    def _handling(self, kind: int, gains: Floats, levels: Floats) -> Floats:
        """The least that one assortment adds, by level: not bought, charge paid, or subtotal raised to the waiver."""
        least: Floats = np.minimum(0.0, self.arrays.handling_charge[kind] - gains)
        if self.arrays.handling_waived_from[kind] is not None:
            least = np.minimum(least, self._lifted(kind, gains, levels).max(axis=1))
        return least

    def _lifted(self, kind: int, gains: Floats, levels: Floats) -> Floats:
        """What an assortment adds whose subtotal reaches its waiver, by the order's level and its own."""
        waived_from = float(self.arrays.handling_waived_from[kind] or 0)
        lifted = (levels[:, None] - levels[None]) * waived_from - gains[None]
        return np.where(levels[:, None] >= levels[None], lifted, -np.inf)

    def priced_orders(self, prices: Floats, vendors: Flags) -> dict[int, list[tuple[float, Floats]]]:
        """For those of some vendors that have rules: by band, a fixed charge and a price per offer that bound best at some prices.

        An order in the band costs no less than the charge and its pieces at these prices. At
        the given prices that is about what it adds to ``bound``.
        """
        portions = len(self.arrays.need)
        prices = np.append(np.maximum(prices[:portions], 0.0), prices[portions:])
        paid, shares, found = prices[self.use_row], self.shares(prices), {}
        for number, uses in self._uses_of_ruled:
            if vendors[number] and len(uses):
                price, share = self.use_price[uses], shares[uses]
                levels, gains, charge = self._levels(number, paid[uses], price, share, uses)
                level = self._worth(number, gains, charge).argmax(axis=1)
                bands = self.arrays.vendors.bands[number].bands
                found[number] = [
                    (
                        float(band.fixed) + (float(band.factor) - levels[at]) * float(band.start),
                        self._by_offer(uses, self._unit_prices(int(at), levels, gains, charge, price, share)),
                    )
                    for band, at in zip(bands, level.tolist(), strict=True)
                ]
        return found

    def _unit_prices(
        self, at: int, levels: Floats, gains: Floats, charge: Ints, price: Floats, share: Floats
    ) -> Floats:
        """Prices by use at a level; handling charges are spread over the uses they are for, by what these gain."""
        unit: Floats = levels[at] * price
        for kind in np.unique(charge[charge >= 0]).tolist():
            mine = np.flatnonzero(charge == kind)
            own, cost = at, float(self.arrays.handling_charge[kind])
            by_level = gains[:, mine].sum(axis=1)
            if self.arrays.handling_waived_from[kind] is not None:
                lifted = self._lifted(kind, by_level, levels)[at]
                if lifted.max() < cost - by_level[at]:
                    own = int(lifted.argmax())
                    cost = float(lifted[own] + by_level[own])
            weight = gains[own, mine] if by_level[own] > 0 else share[mine]
            spread = cost * weight / max(weight.sum(), TINY)
            unit[mine] = levels[own] * price[mine] + spread / np.maximum(share[mine], TINY)
        return unit

    def _by_offer(self, uses: Ints, unit: Floats) -> Floats:
        """Prices by offer: the mean over its uses."""
        offer = self.arrays.use_offer[self.use[uses]]
        count = len(self.arrays.offer_row)
        return np.bincount(offer, unit, count) / np.maximum(np.bincount(offer, minlength=count), 1)


def _kinds(offer: Ints, row: Ints, count: int) -> Ints:
    """Numbers of the kinds of offers: offers of one kind serve the same rows."""
    order = np.lexsort((row, offer))
    start = np.searchsorted(offer[order], np.arange(count + 1)).tolist()
    rows = row[order]
    known: dict[bytes, int] = {}
    kinds = [known.setdefault(rows[start[o] : start[o + 1]].tobytes(), len(known)) for o in range(count)]
    return np.array(kinds, np.int64)
