"""The game of a model's freedoms, made from its uses: which vendors to order from, and what every line costs there.

What it takes for true, so that thousands of sets of freedoms can be costed: orders go to one of a few dozen sets of vendors,
namely those that are best for one of many sets of freedoms, out of the plans' own vendors and some others; within a set of vendors
each line takes its cheapest pieces; lines that must be alike are freed together or not at all; lines that want more of an offer than there is share it, as is cheapest for them together; what an
order's terms add (shipping, waivers, discounts, minimums) stays the same within a set of vendors, at the dearer of both ends, nothing
free and all free.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import permutations

import numpy as np

from pipelines.costing.planner.bands import VendorBands
from pipelines.insight.freed_uses import COLOUR, FORM, Bools, Floats, FreedUses, Ints, Unit
from pipelines.insight.freedom_game import Block, Game

UNITS_PER_CENT = 10_000
"""Costs are whole millionths of the buyer's currency, so that sums are exact and the same everywhere."""
MILLION = 1_000_000
FORTUNE = 10_000.0
"""What a piece counts that a plan could buy and a way of buying lacks: more than any saving."""
FILLING_UP = 0.1
"""What reaching a minimum order costs while sets of vendors are compared, as a share of what lacks (common practice, no source)."""
HIGHEST_PREMIUM, PREMIUM_ROUNDS = 0.5, 7
OTHER_VENDORS = 6
SAMPLED_SETS = 32
SEED = 17
BLOCK_FREEDOMS, BLOCK_UNITS, BLOCK_ORDERED = 8, 6, 4
"""The most freedoms and portions in one block; portions up to which every order of sharing stock is tried."""

Freedom = tuple[int, int]
"""A line's number and a bit: COLOUR or FORM. Lines that must be alike have one freedom of colour, under their lowest number."""


@dataclass(frozen=True)
class VendorSets:
    """Sets of vendors to order from.

    Attributes:
        masks: bool, by set and vendor.
        premiums: by set and vendor, by which share its pieces count as cheaper than they are, so that enough of them are bought
            there to reach its minimum order; None where all are 0.
    """

    masks: Bools
    premiums: Floats | None = None

    def __len__(self) -> int:
        return len(self.masks)


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


class FreedMarket:
    """A model's uses with its freedoms by line, ready to be made into games.

    Args:
        uses: of the model.
        plan_vendors: sets of vendors of known plans; those without a use do not count.
        missing: by line and portion, pieces that can't be bought as listed, and what one counts in a complete cost. A way of
            buying that lacks more pieces than these is no way, because plans lack as few as they can.
        left_out: lines whose freedoms do not count.
    """

    def __init__(
        self,
        uses: FreedUses,
        plan_vendors: Iterable[Collection[str]],
        missing: Mapping[tuple[int, int], tuple[int, float]],
        left_out: Collection[int] = (),
    ) -> None:
        self.uses = uses
        number = {code: index for index, code in enumerate(uses.vendor_codes)}
        self._plan_sets = [frozenset(number[code] for code in codes if code in number) for codes in plan_vendors]
        self._missing = [missing.get((unit.line_number, unit.portion_number), (0, 0.0)) for unit in uses.units]
        groups = [unit.group_code for unit in uses.units if unit.group_code]
        self.groups = [code for code in sorted(set(groups)) if groups.count(code) > 1]
        self.units_of: dict[int, list[int]] = {}
        for index, unit in enumerate(uses.units):
            self.units_of.setdefault(unit.line_number, []).append(index)
        self.colour_freedom = _alike_lines(uses.units, self.groups)
        counted = [unit.line_number not in left_out for unit in uses.units]
        self.granted = self._freedoms(COLOUR, [unit.is_granted for unit in uses.units], counted)
        self.unjudged = self._freedoms(COLOUR, [unit.is_unjudged for unit in uses.units], counted)
        self.forms = self._freedoms(FORM, [unit.is_designers for unit in uses.units], counted)

    def _freedoms(self, bit: int, is_meant: Sequence[bool], counted: Sequence[bool]) -> list[Freedom]:
        """Freedoms with a use that needs them; lines that must be alike count if all of them do."""
        found, not_counted = set(), set()
        for index, unit in enumerate(self.uses.units):
            freedom = self.freedom(unit.line_number, bit)
            if is_meant[index] and self._has(index, bit):
                found.add(freedom)
            if not counted[index]:
                not_counted.add(freedom)
        return sorted(found - not_counted)

    def freedom(self, line_number: int, bit: int) -> Freedom:
        """A line's freedom."""
        return (self.colour_freedom[line_number] if bit == COLOUR else line_number), bit

    def lines_of(self, freedom: Freedom) -> list[int]:
        """The lines that a freedom is about: several where they must be alike."""
        if freedom[1] == FORM:
            return [freedom[0]]
        return [line for line, first in self.colour_freedom.items() if first == freedom[0]]

    def _has(self, unit: int, bit: int) -> bool:
        return bool((self.uses.needs[self.uses.units[unit].rows] & bit).any())

    # One portion's costs

    def _flags(self, unit: int, free: Collection[Freedom]) -> int:
        """The bits that are free for a portion: a line's freedom of colour holds for portions granted or unjudged."""
        line = self.uses.units[unit].line_number
        may = self.uses.units[unit].is_granted or self.uses.units[unit].is_unjudged
        colour = may and self.freedom(line, COLOUR) in free
        return (COLOUR if colour else 0) | (FORM if (line, FORM) in free else 0)

    def _open(self, unit: int, flags: int, sets: VendorSets, colours: Ints | None) -> tuple[Ints, Bools]:
        """Rows of a portion's uses in any way, and by way which are open. ``colours``: the one colour of a portion, by way."""
        uses, span = self.uses, self.uses.units[unit].rows
        rows = np.arange(span.start, span.stop)
        rows = rows[(uses.needs[rows] & ~flags) == 0]
        is_open = sets.masks[:, uses.vendor[rows]]
        if colours is not None and flags & COLOUR:
            in_colour = uses.colour[rows][None, :] == colours[:, None]
            as_listed = ((uses.needs[rows] & COLOUR) == 0)[None, :] & (colours < 0)[:, None]
            is_open = is_open & (in_colour | as_listed)
        return rows, is_open

    def _cost(self, unit: int, flags: int, sets: VendorSets, colours: Ints | None = None) -> Floats:
        """A portion's cost by way, its cheapest pieces taken; a portion that must be of one colour takes the cheapest one."""
        group = self.uses.units[unit].group_code
        if group and flags & COLOUR and colours is None:
            listed = self._cost(unit, flags & ~COLOUR, sets)
            return np.minimum(listed, self._by_colour(unit, flags, sets).min(axis=0, initial=np.inf))
        rows, is_open = self._open(unit, flags, sets, colours)
        left = np.full(len(sets), self.uses.units[unit].quantity, np.int64)
        cost, _ = self._take(rows, np.where(is_open, self.uses.most[rows], 0), left, sets)
        return cost + self._lacking(unit, left)

    def _lacking(self, unit: int, left: Ints) -> Floats:
        """What missing pieces count: their estimate, as far as they are missing as listed too, and beyond that a fortune."""
        count, price = self._missing[unit]
        estimated = np.minimum(left, count)
        return np.asarray(estimated * price + (left - estimated) * FORTUNE)

    def _take(self, rows: Ints, stock: Ints, left: Ints, sets: VendorSets) -> tuple[Floats, Ints]:
        """Take the cheapest pieces first; ``left`` becomes what is still missing. Returns costs and pieces by set and row."""
        premiums = None if sets.premiums is None else sets.premiums[:, self.uses.vendor[rows]]
        if premiums is None or not premiums.any():
            before = np.cumsum(stock, axis=1) - stock
            taken = np.clip(left[:, None] - before, 0, stock)
            left -= taken.sum(axis=1)
            return taken @ self.uses.price[rows], taken
        price = self.uses.price[rows] * (1 - premiums)
        order = np.argsort(price, axis=1, kind="stable")
        sorted_stock = np.take_along_axis(stock, order, axis=1)
        before = np.cumsum(sorted_stock, axis=1) - sorted_stock
        taken = np.empty_like(stock)
        np.put_along_axis(taken, order, np.clip(left[:, None] - before, 0, sorted_stock), axis=1)
        left -= taken.sum(axis=1)
        return (taken * price).sum(axis=1), taken

    def _by_colour(self, unit: int, flags: int, sets: VendorSets) -> Floats:
        """Cost by colour and way of a portion all in one colour."""
        colours = np.arange(len(self.uses.colour_codes))
        present = np.unique(self.uses.colour[self.uses.units[unit].rows])
        found = np.full((len(colours), len(sets)), np.inf)
        for colour in present:
            found[colour] = self._cost(unit, flags, sets, np.full(len(sets), colour))
        return found

    def colours_bought(self, line: int, free: Collection[Freedom], way: int) -> list[str]:
        """The colours a line is bought in with some freedoms in one way of buying, most pieces first."""
        premiums = self.ways.sets.premiums
        sets = VendorSets(self.ways.sets.masks[[way]], None if premiums is None else premiums[[way]])
        pieces: dict[str, int] = {}
        for unit in self.units_of[line]:
            rows, is_open = self._open(unit, self._flags(unit, free), sets, None)
            left = np.full(1, self.uses.units[unit].quantity, np.int64)
            _, taken = self._take(rows, np.where(is_open, self.uses.most[rows], 0), left, sets)
            for row, count in zip(rows.tolist(), taken[0].tolist(), strict=True):
                if count:
                    code = self.uses.colour_codes[self.uses.colour[row]]
                    pieces[code] = pieces.get(code, 0) + count
        return sorted(pieces, key=lambda code: (-pieces[code], code))

    def pieces_in_other_colours(self, line: int) -> int:
        """Pieces on offer that a line could use if its colour were free."""
        count = 0
        for unit in self.units_of[line]:
            span = self.uses.units[unit].rows
            count += int(self.uses.most[span][(self.uses.needs[span] & COLOUR) > 0].sum())
        return count

    # Ways of buying

    @cached_property
    def ways(self) -> Ways:
        """The ways that are best for some of many sets of freedoms: nothing, everything, each kind, and random ones."""
        everything = [*self.granted, *self.forms, *self.unjudged]
        ends: list[list[Freedom]] = [[], [*self.granted, *self.forms], everything, self.granted, self.forms]
        now = [*self.granted, *self.forms]
        draw = np.random.default_rng(SEED)
        sampled = []
        for share in np.linspace(0.05, 0.95, SAMPLED_SETS):
            sampled.append([each for each in now if draw.random() < share])
            sampled.append([*now, *(each for each in self.unjudged if draw.random() < share)])
        sets = set(self._plan_sets) | {frozenset().union(*self._plan_sets)}
        vendors = self._vendors_to_look_at()
        pool = self._priced(_with_neighbours(sets, vendors))
        best = {frozenset(np.flatnonzero(pool.sets.masks[pool.best(free)[0]]).tolist()) for free in ends[:3]}
        pool = self._priced(_with_neighbours(sets | best, vendors))
        chosen = list(dict.fromkeys(pool.best(free) for free in [*ends, *sampled]))
        rows = [row for row, _ in chosen]
        colours = np.array([colours for _, colours in chosen], np.int64).reshape(len(chosen), len(self.groups))
        chosen_sets, charges = self._reaching_minimums(VendorSets(pool.sets.masks[rows]))
        return Ways(chosen_sets, colours, np.rint(charges * MILLION).astype(np.int64))

    def _vendors_to_look_at(self) -> list[int]:
        """The plans' vendors, and those that save most on single lines against them."""
        own = sorted(frozenset().union(*self._plan_sets))
        masks = np.eye(len(self.uses.vendor_codes), dtype=np.bool_)
        masks[:, own] = True
        sets = VendorSets(masks)
        gains = np.zeros((2, len(masks)))
        for row, free in enumerate(([*self.granted, *self.forms], [*self.granted, *self.forms, *self.unjudged])):
            for unit in range(len(self.uses.units)):
                costs = self._cost(unit, self._flags(unit, set(free)), sets)
                gains[row] += (costs[own[0]] if own else costs.max(initial=0)) - costs
        order = [v for pair in zip(*np.argsort(-gains, axis=1, kind="stable"), strict=True) for v in pair]
        others = [int(v) for v in dict.fromkeys(order) if v not in own][:OTHER_VENDORS]
        return [*own, *others]

    def _priced(self, sets: Sequence[frozenset[int]]) -> _Pool:
        masks = np.zeros((len(sets), len(self.uses.vendor_codes)), np.bool_)
        for row, chosen in enumerate(sets):
            masks[row, sorted(chosen)] = True
        priced = VendorSets(masks)
        return _Pool(self, priced, self._charges(priced, FILLING_UP))

    def _charges(self, sets: VendorSets, filling_up: float) -> Floats:
        """What the terms of all orders add beyond the prices of pieces, by set: the dearer of nothing free and all free.

        ``filling_up``: what reaching a minimum order costs, as a share of what lacks.
        """
        ends = []
        for free in (set[Freedom](), {*self.granted, *self.forms}):
            goods, weight = self._orders(sets, free)
            added = [added_by_terms(each, goods[v], weight[v], filling_up) for v, each in enumerate(self.uses.bands)]
            ends.append(np.sum(added, axis=0))
        return np.maximum(*ends)

    def _orders(self, sets: VendorSets, free: set[Freedom]) -> tuple[Floats, Floats]:
        """Goods value and weight of every order, by vendor and set."""
        shape = (len(self.uses.vendor_codes), len(sets))
        goods, weight = np.zeros(shape), np.zeros(shape)
        for index, unit in enumerate(self.uses.units):
            rows, is_open = self._open(index, self._flags(index, free), sets, None)
            left = np.full(len(sets), unit.quantity, np.int64)
            _, taken = self._take(rows, np.where(is_open, self.uses.most[rows], 0), left, sets)
            np.add.at(goods, self.uses.vendor[rows], (taken * self.uses.goods[rows]).T)
            np.add.at(weight, self.uses.vendor[rows], (taken * self.uses.weight[rows]).T)
        return goods, weight

    def _reaching_minimums(self, sets: VendorSets) -> tuple[VendorSets, Floats]:
        """The sets with premiums that move just enough pieces to vendors below their minimum order, and what their terms add.

        A premium is the multiplier of the minimum in a Lagrangean: the vendor's pieces count as cheaper by that share, and the
        minimum order costs as much more.
        """
        least = np.array([float(each.bands[0].start) if each.bands else 0.0 for each in self.uses.bands])
        factor = np.array([float(each.bands[0].factor) if each.bands else 0.0 for each in self.uses.bands])
        ends = (set[Freedom](), {*self.granted, *self.forms})
        premiums = []
        for free in ends:
            goods, _ = self._orders(sets, free)
            lacks = (goods.T > 0) & (least > goods.T)
            low, high = np.zeros(lacks.shape), np.where(lacks, HIGHEST_PREMIUM, 0.0)
            for _ in range(PREMIUM_ROUNDS if lacks.any() else 0):
                middle = (low + high) / 2
                reached = least <= self._orders(VendorSets(sets.masks, middle), free)[0].T
                low, high = np.where(reached, low, middle), np.where(reached, middle, high)
            premiums.append(high)
        mean = (premiums[0] + premiums[1]) / 2
        if not mean.any():
            return sets, self._charges(sets, 1.0)
        lifted = VendorSets(sets.masks, mean)
        return lifted, self._charges(lifted, FILLING_UP) + (mean * least * factor).sum(axis=1)

    # Games

    def game(self, players: Sequence[Freedom], given: Collection[Freedom] = ()) -> Game:
        """The game of some freedoms, with others given."""
        free, playing = set(given), set(players)
        numbers = {freedom: number for number, freedom in enumerate(players)}
        fixed = self.ways.charges.copy()
        blocks = []
        for units, shares_stock in self._blocks(free, playing):
            own = sorted(
                {self.freedom(self.uses.units[u].line_number, bit) for u in units for bit in (COLOUR, FORM)} & playing,
                key=lambda freedom: numbers[freedom],
            )
            costs = self._block_costs(units, own, free, shares_stock)
            if own:
                blocks.append(Block(tuple(numbers[freedom] for freedom in own), costs))
            else:
                fixed += costs[0]
        return Game(len(players), fixed, tuple(blocks))

    def _one_colour(self, unit: int) -> Ints | None:
        """The colour of a portion of a group by way; None for portions that choose by themselves."""
        code = self.uses.units[unit].group_code
        return self.ways.colours[:, self.groups.index(code)] if code in self.groups else None

    def _block_costs(
        self, units: Sequence[int], own: Sequence[Freedom], given: set[Freedom], shares_stock: bool
    ) -> Ints:
        """Costs of some portions by set of their freedoms and way. A freedom may go unused, so more of them never cost more."""
        sets = 1 << len(own)
        costs = np.empty((sets, len(self.ways.sets)), np.int64)
        for row in range(sets):
            free = given | {freedom for bit, freedom in enumerate(own) if row >> bit & 1}
            flags = [self._flags(unit, free) for unit in units]
            cost = self._together(units, flags) if shares_stock else self._apart(units, flags)
            costs[row] = np.rint(cost * MILLION).astype(np.int64)
        for bit in range(len(own)):
            for row in range(sets):
                if row >> bit & 1:
                    costs[row] = np.minimum(costs[row], costs[row & ~(1 << bit)])
        return costs

    def _apart(self, units: Sequence[int], flags: Sequence[int]) -> Floats:
        costs = [
            self._cost(unit, flag, self.ways.sets, self._one_colour(unit))
            for unit, flag in zip(units, flags, strict=True)
        ]
        return np.sum(costs, axis=0)

    def _together(self, units: Sequence[int], flags: Sequence[int]) -> Floats:
        """Portions that share stock: the cheapest of several orders in which they may help themselves."""
        many = len(units)
        orders = (
            list(permutations(range(many)))
            if many <= BLOCK_ORDERED
            else [(*range(turn, many), *range(turn)) for turn in range(many)]
        )
        opened = [
            self._open(unit, flag, self.ways.sets, self._one_colour(unit))
            for unit, flag in zip(units, flags, strict=True)
        ]
        best = np.full(len(self.ways.sets), np.inf)
        for order in orders:
            used: dict[int, Ints] = {}
            cost = np.zeros(len(best))
            for place in order:
                rows, is_open = opened[place]
                stock = np.where(is_open, self.uses.most[rows], 0)
                for column, offer in enumerate(self.uses.offer[rows].tolist()):
                    if offer in used:
                        stock[:, column] = np.maximum(0, stock[:, column] - used[offer])
                left = np.full(len(best), self.uses.units[units[place]].quantity, np.int64)
                paid, taken = self._take(rows, stock, left, self.ways.sets)
                cost += paid + self._lacking(units[place], left)
                for column, offer in enumerate(self.uses.offer[rows].tolist()):
                    if offer >= 0:
                        used[offer] = used.get(offer, 0) + taken[:, column]
            best = np.minimum(best, cost)
        return best

    def _blocks(self, given: set[Freedom], playing: set[Freedom]) -> list[tuple[list[int], bool]]:
        """Portions by block, and whether they share stock.

        Those of one line are in one block, those of lines that must be alike, and those of lines that together may want more
        of an offer than there is, as long as the block stays small; beyond that stock counts as if each had it for itself.
        """
        wants: dict[int, dict[int, int]] = {}
        for index, unit in enumerate(self.uses.units):
            for flags in {self._flags(index, given), self._flags(index, given | playing)}:
                rows, is_open = self._open(index, flags, self.ways.sets, self._one_colour(index))
                left = np.full(len(self.ways.sets), unit.quantity, np.int64)
                _, taken = self._take(rows, np.where(is_open, self.uses.most[rows], 0), left, self.ways.sets)
                for row, most in zip(rows.tolist(), taken.max(axis=0, initial=0).tolist(), strict=True):
                    if most and self.uses.offer[row] >= 0:
                        of_offer = wants.setdefault(row, {})
                        of_offer[index] = max(most, of_offer.get(index, 0))
        by_offer: dict[int, dict[int, int]] = {}
        stock: dict[int, int] = {}
        for row, of_row in wants.items():
            offer = int(self.uses.offer[row])
            stock[offer] = int(self.uses.most[row])
            for unit_index, pieces in of_row.items():
                of_offer = by_offer.setdefault(offer, {})
                of_offer[unit_index] = max(pieces, of_offer.get(unit_index, 0))
        lines = _Joined(self, playing)
        for offer, of_offer in sorted(by_offer.items()):
            if sum(of_offer.values()) > stock[offer]:
                lines.join(sorted({self.uses.units[unit_index].line_number for unit_index in of_offer}))
        return lines.blocks()


class _Pool:
    """Sets of vendors with every portion's costs there, from which the best for a set of freedoms is read."""

    def __init__(self, market: FreedMarket, sets: VendorSets, charges: Floats) -> None:
        self.market, self.sets, self.charges = market, sets, charges
        self._costs: dict[tuple[int, int], Floats] = {}
        self._in_colours: dict[tuple[int, int], Floats] = {}

    def best(self, free: Collection[Freedom]) -> tuple[int, tuple[int, ...]]:
        """The row of the cheapest set of vendors, and each group's colour in it."""
        market, freedoms = self.market, set(free)
        total = self.charges.copy()
        gains = {code: np.zeros((len(market.uses.colour_codes), len(self.sets))) for code in market.groups}
        for index, unit in enumerate(market.uses.units):
            flags = market._flags(index, freedoms)
            listed = self._listed(index, flags if unit.group_code not in gains else flags & ~COLOUR)
            total += listed
            if unit.group_code in gains and flags & COLOUR:
                gains[unit.group_code] += self._coloured(index, flags) - listed
        colours = {}
        for code, gain in gains.items():
            colours[code] = np.where(gain.min(axis=0) < 0, gain.argmin(axis=0), -1)
            total += np.minimum(0, gain.min(axis=0))
        row = int(total.argmin())
        return row, tuple(int(colours[code][row]) for code in market.groups)

    def _listed(self, unit: int, flags: int) -> Floats:
        if (unit, flags) not in self._costs:
            self._costs[unit, flags] = self.market._cost(unit, flags, self.sets)
        return self._costs[unit, flags]

    def _coloured(self, unit: int, flags: int) -> Floats:
        if (unit, flags) not in self._in_colours:
            self._in_colours[unit, flags] = self.market._by_colour(unit, flags, self.sets)
        return self._in_colours[unit, flags]


class _Joined:
    """Lines joined into blocks of a limited size."""

    def __init__(self, market: FreedMarket, playing: set[Freedom]) -> None:
        self._market, self._playing = market, playing
        self._block = {line: market.lines_of((first, COLOUR)) for line, first in market.colour_freedom.items()}
        self._share_stock: set[int] = set()

    def join(self, lines: Sequence[int]) -> None:
        self._share_stock |= {line for line in lines if len(lines) > 1}
        for line in lines[1:]:
            one, other = self._block[lines[0]], self._block[line]
            both = sorted({*one, *other})
            if one != other and self._is_small(both):
                for each in both:
                    self._block[each] = both

    def _is_small(self, lines: Sequence[int]) -> bool:
        freedoms = {self._market.freedom(line, bit) for line in lines for bit in (COLOUR, FORM)} & self._playing
        units = sum(len(self._market.units_of[line]) for line in lines)
        return len(freedoms) <= BLOCK_FREEDOMS and units <= BLOCK_UNITS

    def blocks(self) -> list[tuple[list[int], bool]]:
        found = sorted({tuple(block) for block in self._block.values()})
        return [
            (
                sorted(unit for line in block for unit in self._market.units_of[line]),
                len(block) > 1 and len(block) <= BLOCK_UNITS and any(line in self._share_stock for line in block),
            )
            for block in found
        ]


def _alike_lines(units: Sequence[Unit], groups: Collection[str]) -> dict[int, int]:
    """By line, the lowest number among the lines that must be alike with it, over however many groups."""
    first = {unit.line_number: unit.line_number for unit in units}
    for code in groups:
        own = {first[unit.line_number] for unit in units if unit.group_code == code}
        first = {line: min(own) if number in own else number for line, number in first.items()}
    return first


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
