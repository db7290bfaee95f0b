"""A few dozen vendor mixes to compare: which vendors to order from, and which colour each group of alike lines takes.

A mix is chosen because it is the cheapest for one of many sets of flexible lines. Tried are the plans' own vendors and some
others, and the neighbours of these sets. What the terms of orders add (shipping, waivers, discounts, minimums) is fixed for a
mix. Each vendor counts at the dearest of three states: no flexibility, all that is allowed, all undecided lines as well.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts, VendorSets
from pipelines.insight.flexibility.priced_uses import COLOUR, Floats, Ints
from pipelines.planner.statement.bands import VendorBands

MILLION = 1_000_000
"""Costs are whole millionths of the buyer's currency, so that sums are exact and the same everywhere."""
FILLING_UP = 0.1
"""While sets are compared, what a minimum order costs, as a share of what lacks to it (common practice, no source)."""
HIGHEST_PREMIUM, PREMIUM_ROUNDS = 0.5, 7
OTHER_VENDORS = 6
SAMPLED_SETS = 32
SEED = 17


@dataclass(frozen=True)
class VendorMixes:
    """Vendor mixes: sets of vendors, each with a colour for every group of lines that must be alike.

    Attributes:
        sets: the vendors of each mix.
        colours: by mix and group, the colour's number; -1 for as listed.
        charges: what the terms of a mix's orders add, in millionths.
    """

    sets: VendorSets
    colours: Ints
    charges: Ints


def vendor_mixes(costs: PortionCosts, plan_vendors: Iterable[Collection[str]]) -> VendorMixes:
    """The mixes that are cheapest for one of many sets of flexible lines.

    Args:
        costs: of the model's portions.
        plan_vendors: sets of vendors of known plans; vendors without a use do not count.
    """
    return _Search(costs, plan_vendors).found()


class _Search:
    """The search for one model."""

    def __init__(self, costs: PortionCosts, plan_vendors: Iterable[Collection[str]]) -> None:
        self.costs = costs
        number = {code: index for index, code in enumerate(costs.uses.vendor_codes)}
        self._plan_sets = [frozenset(number[code] for code in codes if code in number) for codes in plan_vendors]

    def found(self) -> VendorMixes:
        """The cheapest mix for no flexibility, for all of it, for each kind alone, and for random sets."""
        everything = [*self.costs.allowed, *self.costs.undecided]
        ends: list[list[Flexibility]] = [
            [],
            self.costs.allowed,
            everything,
            self.costs.colours_allowed,
            self.costs.forms_allowed,
        ]
        now = self.costs.allowed
        draw = np.random.default_rng(SEED)
        sampled = []
        for share in np.linspace(0.05, 0.95, SAMPLED_SETS):
            sampled.append([each for each in now if draw.random() < share])
            sampled.append([*now, *(each for each in self.costs.undecided if draw.random() < share)])
        sets = set(self._plan_sets) | {frozenset().union(*self._plan_sets)}
        vendors = self._vendors_to_look_at()
        pool = self._priced(_with_neighbours(sets, vendors))
        best = {frozenset(np.flatnonzero(pool.sets.masks[pool.best(flexible)[0]]).tolist()) for flexible in ends[:3]}
        pool = self._priced(_with_neighbours(sets | best, vendors))
        chosen = list(dict.fromkeys(pool.best(flexible) for flexible in [*ends, *sampled]))
        rows = [row for row, _ in chosen]
        colours = np.array([colours for _, colours in chosen], np.int64).reshape(len(chosen), len(self.costs.groups))
        chosen_sets, charges = self._reaching_minimums(VendorSets(pool.sets.masks[rows]))
        return VendorMixes(chosen_sets, colours, np.rint(charges * MILLION).astype(np.int64))

    def _vendors_to_look_at(self) -> list[int]:
        """The plans' vendors, and those that save most on single lines against them."""
        own = sorted(frozenset().union(*self._plan_sets))
        masks = np.eye(len(self.costs.uses.vendor_codes), dtype=np.bool_)
        masks[:, own] = True
        sets = VendorSets(masks)
        gains = np.zeros((2, len(masks)))
        for row, flexible in enumerate(
            (
                self.costs.allowed,
                [*self.costs.allowed, *self.costs.undecided],
            )
        ):
            for portion in range(len(self.costs.uses.portions)):
                costs = self.costs.cost(portion, self.costs.flags(portion, set(flexible)), sets)
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

        So a vendor that only one state orders from charges for its order like any other.

        ``filling_up``: what reaching a minimum order costs, as a share of what lacks.
        """
        states = (
            set[Flexibility](),
            set(self.costs.allowed),
            {*self.costs.allowed, *self.costs.undecided},
        )
        added = np.zeros((len(states), len(self.costs.uses.bands), len(sets)))
        for state, flexible in enumerate(states):
            goods, weight = self.costs.orders(sets, flexible)
            for vendor, bands in enumerate(self.costs.uses.bands):
                added[state, vendor] = added_by_terms(bands, goods[vendor], weight[vendor], filling_up)
        return np.asarray(added.max(axis=0).sum(axis=0))

    def _reaching_minimums(self, sets: VendorSets) -> tuple[VendorSets, Floats]:
        """The sets with premiums that move just enough pieces to vendors below their minimum order, and what their terms add.

        A premium is the multiplier of the minimum in a Lagrangean relaxation: the vendor's pieces count as cheaper by that
        share, and its minimum order costs that share of itself.
        """
        least = np.array([float(each.bands[0].start) if each.bands else 0.0 for each in self.costs.uses.bands])
        factor = np.array([float(each.bands[0].factor) if each.bands else 0.0 for each in self.costs.uses.bands])
        ends = (set[Flexibility](), set(self.costs.allowed))
        premiums = []
        for flexible in ends:
            goods, _ = self.costs.orders(sets, flexible)
            lacks = (goods.T > 0) & (least > goods.T)
            low, high = np.zeros(lacks.shape), np.where(lacks, HIGHEST_PREMIUM, 0.0)
            rows = np.flatnonzero(lacks.any(axis=1))
            for _ in range(PREMIUM_ROUNDS if rows.size else 0):
                middle = (low[rows] + high[rows]) / 2
                reached = least <= self.costs.orders(VendorSets(sets.masks[rows], middle), flexible)[0].T
                low[rows] = np.where(reached, low[rows], middle)
                high[rows] = np.where(reached, middle, high[rows])
            premiums.append(high)
        mean = (premiums[0] + premiums[1]) / 2
        if not mean.any():
            return sets, self._charges(sets, 1.0)
        lifted = VendorSets(sets.masks, mean)
        return lifted, self._charges(lifted, FILLING_UP) + (mean * least * factor).sum(axis=1)


class _Pool:
    """Sets of vendors with every portion's costs there, from which the best for some flexibility is read."""

    def __init__(self, costs: PortionCosts, sets: VendorSets, charges: Floats) -> None:
        self.costs, self.sets, self.charges = costs, sets, charges
        self._listed_costs: dict[tuple[int, int], Floats] = {}
        self._in_colours: dict[tuple[int, int], Floats] = {}

    def best(self, flexible: Collection[Flexibility]) -> tuple[int, tuple[int, ...]]:
        """The row of the cheapest set of vendors, and each group's colour in it."""
        costs, allowed = self.costs, set(flexible)
        total = self.charges.copy()
        gains = {code: np.zeros((len(costs.uses.colour_codes), len(self.sets))) for code in costs.groups}
        for index, portion in enumerate(costs.uses.portions):
            flags = costs.flags(index, allowed)
            listed = self._listed(index, flags if portion.group_code not in gains else flags & ~COLOUR)
            total += listed
            if portion.group_code in gains and flags & COLOUR:
                gains[portion.group_code] += self._coloured(index, flags) - listed
        colours = {}
        for code, gain in gains.items():
            colours[code] = np.where(gain.min(axis=0) < 0, gain.argmin(axis=0), -1)
            total += np.minimum(0, gain.min(axis=0))
        row = int(total.argmin())
        return row, tuple(int(colours[code][row]) for code in costs.groups)

    def _listed(self, portion: int, flags: int) -> Floats:
        if (portion, flags) not in self._listed_costs:
            self._listed_costs[portion, flags] = self.costs.cost(portion, flags, self.sets)
        return self._listed_costs[portion, flags]

    def _coloured(self, portion: int, flags: int) -> Floats:
        if (portion, flags) not in self._in_colours:
            self._in_colours[portion, flags] = self.costs.in_one_colour(portion, flags, self.sets)
        return self._in_colours[portion, flags]


def _with_neighbours(sets: Iterable[frozenset[int]], vendors: Sequence[int]) -> list[frozenset[int]]:
    """The sets, and those with one vendor more, one fewer, or one instead of another."""
    found = set(sets)
    for chosen in list(found):
        others = [vendor for vendor in vendors if vendor not in chosen]
        found |= {chosen | {vendor} for vendor in others}
        found |= {chosen - {vendor} for vendor in chosen}
        found |= {chosen - {old} | {new} for old in chosen for new in others}
    return sorted(found - {frozenset()} or {frozenset()}, key=sorted)


def added_by_terms(bands: VendorBands, goods: Floats, weight: Floats, filling_up: float = 1.0) -> Floats:
    """What orders of some goods values (vendor's currency) and weights cost beyond their goods at the lowest band's factor.

    An order below the least goods value pays up to it, or a share of what lacks (``filling_up``). Handling of assortments
    and charges by the size of the largest part are left out.
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
