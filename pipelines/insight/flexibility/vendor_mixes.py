"""The ways of buying that are looked at: which vendors to order from, and which colour lines take that must be alike.

Orders go to one of a few dozen sets of vendors, namely those that are best for one of many sets of flexible lines, out of the plans' own
vendors and some others, and their neighbours. What an order's terms add (shipping, waivers, discounts, minimums) is fixed for a set
of vendors, each vendor at the dearest of three states: nothing free, all granted flexible lines, all undecided lines free as well.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.insight.flexibility.line_prices import COLOUR, Floats, Ints
from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts, VendorSets
from pipelines.planner.statement.bands import VendorBands

MILLION = 1_000_000
"""Costs are whole millionths of the buyer's currency, so that sums are exact and the same everywhere."""
FILLING_UP = 0.1
"""What reaching a minimum order costs while sets of vendors are compared, as a share of what lacks (common practice, no source)."""
HIGHEST_PREMIUM, PREMIUM_ROUNDS = 0.5, 7
OTHER_VENDORS = 6
SAMPLED_SETS = 32
SEED = 17


@dataclass(frozen=True)
class Ways:
    """Sets of vendors, each with a colour for every group of lines that must be alike.

    Attributes:
        colours: by way and group, the colour's number; -1 for as listed.
        charges: what orders' terms add, in millionths.
    """

    sets: VendorSets
    colours: Ints
    charges: Ints


def ways_of_buying(costs: PortionCosts, plan_vendors: Iterable[Collection[str]]) -> Ways:
    """The ways that are best for some of many sets of flexible lines.

    Args:
        costs: of the model's portions.
        plan_vendors: sets of vendors of known plans; vendors without a use do not count.
    """
    return _Search(costs, plan_vendors).ways()


class _Search:
    """The search for one model."""

    def __init__(self, costs: PortionCosts, plan_vendors: Iterable[Collection[str]]) -> None:
        self.costs = costs
        number = {code: index for index, code in enumerate(costs.uses.vendor_codes)}
        self._plan_sets = [frozenset(number[code] for code in codes if code in number) for codes in plan_vendors]

    def ways(self) -> Ways:
        """The ways that are best for some of many sets of flexible lines: nothing, everything, each kind, and random ones."""
        everything = [*self.costs.granted, *self.costs.forms, *self.costs.undecided]
        ends: list[list[Flexibility]] = [
            [],
            [*self.costs.granted, *self.costs.forms],
            everything,
            self.costs.granted,
            self.costs.forms,
        ]
        now = [*self.costs.granted, *self.costs.forms]
        draw = np.random.default_rng(SEED)
        sampled = []
        for share in np.linspace(0.05, 0.95, SAMPLED_SETS):
            sampled.append([each for each in now if draw.random() < share])
            sampled.append([*now, *(each for each in self.costs.undecided if draw.random() < share)])
        sets = set(self._plan_sets) | {frozenset().union(*self._plan_sets)}
        vendors = self._vendors_to_look_at()
        pool = self._priced(_with_neighbours(sets, vendors))
        best = {frozenset(np.flatnonzero(pool.sets.masks[pool.best(free)[0]]).tolist()) for free in ends[:3]}
        pool = self._priced(_with_neighbours(sets | best, vendors))
        chosen = list(dict.fromkeys(pool.best(free) for free in [*ends, *sampled]))
        rows = [row for row, _ in chosen]
        colours = np.array([colours for _, colours in chosen], np.int64).reshape(len(chosen), len(self.costs.groups))
        chosen_sets, charges = self._reaching_minimums(VendorSets(pool.sets.masks[rows]))
        return Ways(chosen_sets, colours, np.rint(charges * MILLION).astype(np.int64))

    def _vendors_to_look_at(self) -> list[int]:
        """The plans' vendors, and those that save most on single lines against them."""
        own = sorted(frozenset().union(*self._plan_sets))
        masks = np.eye(len(self.costs.uses.vendor_codes), dtype=np.bool_)
        masks[:, own] = True
        sets = VendorSets(masks)
        gains = np.zeros((2, len(masks)))
        for row, free in enumerate(
            ([*self.costs.granted, *self.costs.forms], [*self.costs.granted, *self.costs.forms, *self.costs.undecided])
        ):
            for unit in range(len(self.costs.uses.units)):
                costs = self.costs.cost(unit, self.costs.flags(unit, set(free)), sets)
                gains[row] += (costs[own[0]] if own else costs.max(initial=0)) - costs
        order = [v for pair in zip(*np.argsort(-gains, axis=1, kind="stable"), strict=True) for v in pair]
        others = [int(v) for v in dict.fromkeys(order) if v not in own][:OTHER_VENDORS]
        return [*own, *others]

    def _priced(self, sets: Sequence[frozenset[int]]) -> _Pool:
        masks = np.zeros((len(sets), len(self.costs.uses.vendor_codes)), np.bool_)
        for row, chosen in enumerate(sets):
            masks[row, sorted(chosen)] = True
        priced = VendorSets(masks)
        return _Pool(self.costs, priced, self._charges(priced, FILLING_UP))

    def _charges(self, sets: VendorSets, filling_up: float) -> Floats:
        """What the terms of all orders add beyond the prices of pieces, by set: each vendor's order where it adds most.

        So a vendor that is ordered from in one state only charges for its order like any other, with undecided lines free, too.

        ``filling_up``: what reaching a minimum order costs, as a share of what lacks.
        """
        states = (
            set[Flexibility](),
            granted := {*self.costs.granted, *self.costs.forms},
            granted | {*self.costs.undecided},
        )
        added = np.zeros((len(states), len(self.costs.uses.bands), len(sets)))
        for state, free in enumerate(states):
            goods, weight = self.costs.orders(sets, free)
            for vendor, bands in enumerate(self.costs.uses.bands):
                added[state, vendor] = added_by_terms(bands, goods[vendor], weight[vendor], filling_up)
        return np.asarray(added.max(axis=0).sum(axis=0))

    def _reaching_minimums(self, sets: VendorSets) -> tuple[VendorSets, Floats]:
        """The sets with premiums that move just enough pieces to vendors below their minimum order, and what their terms add.

        A premium is the multiplier of the minimum in a Lagrangean: the vendor's pieces count as cheaper by that share, and the
        minimum order costs as much more.
        """
        least = np.array([float(each.bands[0].start) if each.bands else 0.0 for each in self.costs.uses.bands])
        factor = np.array([float(each.bands[0].factor) if each.bands else 0.0 for each in self.costs.uses.bands])
        ends = (set[Flexibility](), {*self.costs.granted, *self.costs.forms})
        premiums = []
        for free in ends:
            goods, _ = self.costs.orders(sets, free)
            lacks = (goods.T > 0) & (least > goods.T)
            low, high = np.zeros(lacks.shape), np.where(lacks, HIGHEST_PREMIUM, 0.0)
            rows = np.flatnonzero(lacks.any(axis=1))
            for _ in range(PREMIUM_ROUNDS if rows.size else 0):
                middle = (low[rows] + high[rows]) / 2
                reached = least <= self.costs.orders(VendorSets(sets.masks[rows], middle), free)[0].T
                low[rows] = np.where(reached, low[rows], middle)
                high[rows] = np.where(reached, middle, high[rows])
            premiums.append(high)
        mean = (premiums[0] + premiums[1]) / 2
        if not mean.any():
            return sets, self._charges(sets, 1.0)
        lifted = VendorSets(sets.masks, mean)
        return lifted, self._charges(lifted, FILLING_UP) + (mean * least * factor).sum(axis=1)


class _Pool:
    """Sets of vendors with every portion's costs there, from which the best for a set of flexible lines is read."""

    def __init__(self, costs: PortionCosts, sets: VendorSets, charges: Floats) -> None:
        self.costs, self.sets, self.charges = costs, sets, charges
        self._listed_costs: dict[tuple[int, int], Floats] = {}
        self._in_colours: dict[tuple[int, int], Floats] = {}

    def best(self, free: Collection[Flexibility]) -> tuple[int, tuple[int, ...]]:
        """The row of the cheapest set of vendors, and each group's colour in it."""
        costs, flexible_lines = self.costs, set(free)
        total = self.charges.copy()
        gains = {code: np.zeros((len(costs.uses.colour_codes), len(self.sets))) for code in costs.groups}
        for index, unit in enumerate(costs.uses.units):
            flags = costs.flags(index, flexible_lines)
            listed = self._listed(index, flags if unit.group_code not in gains else flags & ~COLOUR)
            total += listed
            if unit.group_code in gains and flags & COLOUR:
                gains[unit.group_code] += self._coloured(index, flags) - listed
        colours = {}
        for code, gain in gains.items():
            colours[code] = np.where(gain.min(axis=0) < 0, gain.argmin(axis=0), -1)
            total += np.minimum(0, gain.min(axis=0))
        row = int(total.argmin())
        return row, tuple(int(colours[code][row]) for code in costs.groups)

    def _listed(self, unit: int, flags: int) -> Floats:
        if (unit, flags) not in self._listed_costs:
            self._listed_costs[unit, flags] = self.costs.cost(unit, flags, self.sets)
        return self._listed_costs[unit, flags]

    def _coloured(self, unit: int, flags: int) -> Floats:
        if (unit, flags) not in self._in_colours:
            self._in_colours[unit, flags] = self.costs.in_one_colour(unit, flags, self.sets)
        return self._in_colours[unit, flags]


def _with_neighbours(sets: Iterable[frozenset[int]], vendors: Sequence[int]) -> list[frozenset[int]]:
    """The sets, and what one vendor more, less, or another instead makes of them."""
    found = set(sets)
    for chosen in list(found):
        others = [vendor for vendor in vendors if vendor not in chosen]
        found |= {chosen | {vendor} for vendor in others}
        found |= {chosen - {vendor} for vendor in chosen}
        found |= {chosen - {old} | {new} for old in chosen for new in others}
    return sorted(found - {frozenset()} or {frozenset()}, key=sorted)


def added_by_terms(bands: VendorBands, goods: Floats, weight: Floats, filling_up: float = 1.0) -> Floats:
    """What orders of some goods values (vendor's currency) and weights cost beyond their goods at the lowest band's factor.

    An order below the least goods value pays up to it, or a share of what lacks (``filling_up``). Handling of assortments and charges by size of the largest part are left out.
    """
    if not bands.bands:
        return np.zeros(len(goods))
    starts = np.array([float(band.start) for band in bands.bands])
    fixed = np.array([float(band.fixed) for band in bands.bands])
    factor = np.array([float(band.factor) for band in bands.bands])
    ships_free = np.array([band.ships_free for band in bands.bands])
    reached = np.maximum(goods, starts[0])
    at = np.maximum(0, np.searchsorted(starts, reached, side="right") - 1)
    added = fixed[at] + factor[at] * reached - factor[0] * goods
    added = added - (1 - filling_up) * factor[0] * (reached - goods)
    if bands.weight_steps:
        step = np.array([float(each.start) for each in bands.weight_steps])
        charge = np.array([float(each.charge) for each in bands.weight_steps])
        by_weight = charge[np.maximum(0, np.searchsorted(step, weight, side="right") - 1)]
        added = added + np.where(ships_free[at], 0.0, by_weight)
    return np.asarray(np.where(goods > 0, added, 0.0))
