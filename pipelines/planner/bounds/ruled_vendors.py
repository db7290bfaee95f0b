"""What orders to vendors with rules add at least, at given prices of portions: every offer in whole packs.

An order in a band whose goods count by some factor, its *level*, takes of each offer the quantity that gains most. Quantities on
sale are multiples within price steps, so that a pack costs as much when it is used in part. What an offer gains is piecewise
linear in the quantity; the best lies beside a quantity at which some row has all its pieces, or at an end of a price step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipelines.planner.statement.bands import Band
from pipelines.planner.statement.columns_as_arrays import Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays

LEVELS = (0.0, 0.25, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.925, 0.95, 0.975)
"""Factors on goods, as shares of a vendor's highest, that are tried beside the bands' own."""

FLOOR, CEILING, LEAST = 0, 1, 2


@dataclass(frozen=True)
class BandLevels:
    """The bands of some vendors and the levels to try, as arrays by vendor, band and level; filled up to equal lengths.

    Attributes:
        levels: by vendor and level, rising, the last repeated.
        charge: what an order costs beside its goods at the level; minus infinity where the level is above the band's factor,
            infinity where there is no band.
    """

    levels: Floats
    charge: Floats

    @classmethod
    def of(cls, bands: Sequence[tuple[Band, ...]]) -> BandLevels:
        """Of the bands of each vendor."""
        tried = []
        for own in bands:
            factors = [float(band.factor) for band in own] or [0.0]
            tried.append(sorted({*factors, *(level * max(factors) for level in LEVELS)}))
        width, most = max(map(len, tried), default=1), max(1, *map(len, bands))
        levels = np.array([own + own[-1:] * (width - len(own)) for own in tried]).reshape(len(bands), width)
        charge = np.full((len(bands), most, width), np.inf)
        for number, own in enumerate(bands):
            for index, band in enumerate(own):
                # A unit of goods is worth theta for reaching the band's start.
                theta = float(band.factor) - levels[number]
                charge[number, index] = np.where(theta >= 0, float(band.fixed) + theta * float(band.start), -np.inf)
        return cls(levels, charge)


@dataclass(frozen=True)
class RuledVendors:
    """Some vendors, their uses and the quantities to try.

    Attributes:
        number: the vendors.
        use: the uses by offer, as places in the Lagrangean's uses; ``want`` are the pieces that each can take.
        offer, first: the offers, and where the uses of each start.
        place: by use, the place of its offer; ``vendor``: by offer, the place of its vendor.
        tried_use, tried_step, rounding: quantities to try, by offer: those beside the one at which the uses up to this one have
            all their pieces, or the least of a step.
    """

    arrays: ProblemArrays
    number: Ints
    bands: BandLevels
    use: Ints
    want: Floats
    offer: Ints
    first: Ints
    place: Ints
    vendor: Ints
    tried_use: Ints
    tried_step: Ints
    rounding: Ints

    @classmethod
    def of(cls, arrays: ProblemArrays, numbers: Ints, uses: Ints, offer: Ints, want: Floats) -> RuledVendors:
        """Of some vendors: their uses as places in the Lagrangean's, and by these the offers and the pieces they can take."""
        order = np.argsort(offer, kind="stable")
        uses, want = uses[order], want[order]
        offers, first, place = np.unique(offer[order], return_index=True, return_inverse=True)
        place = place.ravel()
        count = arrays.step_count[offers][place]
        at = np.repeat(np.arange(len(uses)), count)
        step = arrays.step_start[offers][place][at] + np.arange(len(at)) - np.repeat(np.cumsum(count) - count, count)
        in_packs = arrays.offer_multiple[offers][place][at] > 1
        is_first = np.append(True, at[1:] != at[:-1])[: len(at)]
        later = ~is_first | (arrays.step_base[step] != 0)
        kinds = [(np.arange(len(at)), FLOOR), (np.flatnonzero(in_packs), CEILING), (np.flatnonzero(later), LEAST)]
        tried = np.concatenate([rows for rows, _ in kinds])
        rounding = np.concatenate([np.full(len(rows), kind) for rows, kind in kinds])
        by_offer = np.argsort(place[at[tried]], kind="stable")
        tried = tried[by_offer]
        return cls(
            arrays,
            numbers,
            BandLevels.of([arrays.vendors.bands[number].bands for number in numbers.tolist()]),
            uses,
            want,
            offers,
            first,
            place,
            np.searchsorted(numbers, arrays.offer_vendor[offers]),
            at[tried],
            step[tried],
            rounding[by_offer],
        )

    @cached_property
    def handling(self) -> Ints:
        """By offer, its handling charge, -1 for none."""
        return self.arrays.offer_assortment[self.offer]

    @cached_property
    def charges(self) -> Ints:
        """The handling charges of these vendors."""
        return np.flatnonzero(np.isin(self.arrays.handling_vendor, self.number))

    @cached_property
    def tried_first(self) -> Ints:
        """Where the quantities to try of every offer start."""
        return np.searchsorted(self.place[self.tried_use], np.arange(len(self.offer)))

    def orders(self, paid: Floats) -> RuledOrders:
        """The best orders at what all the Lagrangean's uses are paid."""
        return RuledOrders(self, np.maximum(paid[self.use], 0.0))


class RuledOrders:
    """The best orders of some vendors at given prices.

    Attributes:
        least: the least that an order adds, by vendor and band; infinity where there is no band.
    """

    def __init__(self, ruled: RuledVendors, paid: Floats) -> None:
        """Work out what every offer gains, by level, and what orders add."""
        self.ruled, arrays = ruled, ruled.arrays
        # Of one offer, the uses that pay most are served first.
        self._order = np.lexsort((-paid, ruled.place))
        self._paid, self._want = paid[self._order], ruled.want[self._order]
        self._filled, revenue = self._by_offer(self._want), self._by_offer(self._want * self._paid)
        last = np.append(ruled.first[1:], len(paid)) - 1
        multiple, step = arrays.offer_multiple[arrays.step_offer[ruled.tried_step]], ruled.tried_step
        packs = self._filled[ruled.tried_use] / multiple
        pieces = np.where(ruled.rounding == CEILING, np.ceil(packs), np.floor(packs)) * multiple
        pieces[ruled.rounding == LEAST] = 0.0
        pieces = np.clip(pieces, arrays.step_least[step], arrays.step_most[step])
        place = ruled.place[ruled.tried_use]
        used = np.minimum(pieces, self._filled[last][place])
        beyond = self._filled.max(initial=0.0) + 1
        at = np.searchsorted(self._filled + beyond * ruled.place, used + beyond * place)
        revenue = revenue[at] - (self._filled[at] - used) * self._paid[at]
        goods = arrays.step_base[step] + arrays.step_price[step] * pieces
        gained = revenue[:, None] - ruled.bands.levels[ruled.vendor[place]] * goods[:, None]
        self._gains = np.maximum(np.maximum.reduceat(gained, ruled.tried_first, axis=0), 0.0)
        self._add_up()
        self._worth = ruled.bands.charge + self._value[:, None, :]
        self.least: Floats = self._worth.max(axis=2)

    def _by_offer(self, values: Floats) -> Floats:
        """Sums from each offer's first use on."""
        total = np.cumsum(values)
        before = np.append(0.0, total)[self.ruled.first]
        summed: Floats = total - before[self.ruled.place]
        return summed

    def _add_up(self) -> None:
        """What the goods of an order add by vendor and level, handling charges included."""
        ruled, arrays, levels = self.ruled, self.ruled.arrays, self.ruled.bands.levels
        free = ruled.handling < 0
        self._value = -_summed(ruled.vendor[free], self._gains[free], len(ruled.number))
        charges = ruled.charges
        place = np.searchsorted(charges, ruled.handling)
        self._of_charge = _summed(place[~free], self._gains[~free], len(charges))
        vendor = np.searchsorted(ruled.number, arrays.handling_vendor[charges])
        waived_from = np.array([float(arrays.handling_waived_from[charge] or 0) for charge in charges.tolist()])
        can_waive = np.array([arrays.handling_waived_from[charge] is not None for charge in charges.tolist()], np.bool_)
        # A subtotal raised to its waiver: by the order's level, and the level of the assortment's own goods.
        theta = levels[vendor][:, :, None] - levels[vendor][:, None, :]
        lifted = theta * waived_from[:, None, None] - self._of_charge[:, None, :]
        lifted[(theta < 0) | ~can_waive[:, None, None]] = -np.inf
        self._own_level = lifted.argmax(axis=2)
        self._lifted = np.where(can_waive[:, None], lifted.max(axis=2), np.inf)
        self._charged = arrays.handling_charge[charges][:, None] - self._of_charge
        self._handled = np.minimum(np.minimum(self._charged, 0.0), self._lifted)
        self._charge_vendor, self._charge_place = vendor, place
        self._value += _summed(vendor, self._handled, len(ruled.number))

    def unit_prices(self, band: int) -> tuple[Floats, Floats]:
        """A charge by vendor and a price by offer at which orders in a band add as much, without packs and handling charges.

        Offers get one price for all their pieces, so high that they gain as much as in whole packs. Handling charges are
        spread over what they are for, by what each offer gains.
        """
        ruled, arrays = self.ruled, self.ruled.arrays
        vendors = np.arange(len(ruled.number))
        level = self._worth[:, band].argmax(axis=1)
        charge = ruled.bands.charge[vendors, band, level]
        own, offers = level[ruled.vendor], np.arange(len(ruled.offer))
        kept, more = np.ones(len(offers)), np.zeros(len(offers))
        stock = np.minimum(arrays.offer_most[ruled.offer], np.add.reduceat(ruled.want, ruled.first))
        for number, vendor in enumerate(self._charge_vendor.tolist()):
            mine = np.flatnonzero((self._charge_place == number) & (ruled.handling >= 0))
            at = int(level[vendor])
            cost, at_own = float(self._charged[number, at] + self._of_charge[number, at]), at
            if self._lifted[number, at] < self._charged[number, at]:
                at_own = int(self._own_level[number, at])
                cost = float(self._lifted[number, at] + self._of_charge[number, at_own])
            own[mine] = at_own
            if self._of_charge[number, at_own] > 0:
                kept[mine] = 1 - cost / self._of_charge[number, at_own]
            elif len(mine):
                more[mine] = cost / stock[mine].sum()
        gain = self._gains[offers, own] * kept
        unit = arrays.offer_lowest[ruled.offer] * ruled.bands.levels[ruled.vendor, own]
        share = np.clip(arrays.offer_most[ruled.offer][ruled.place] - (self._filled - self._want), 0.0, self._want)
        shares = self._by_offer(share)
        gained = self._by_offer(share * (self._paid - unit[ruled.place]))
        higher = (gained - gain[ruled.place]) / np.maximum(shares, 1.0)
        return charge, unit + more + np.maximum(np.maximum.reduceat(higher, ruled.first), 0.0)


def _summed(index: Ints, rows: Floats, count: int) -> Floats:
    """Sums of rows by index."""
    total = np.zeros((count, rows.shape[1]))
    np.add.at(total, index, rows)
    return total
