"""The games of a model's flexible lines: every set of flexible lines costed, so that it can be said what each is worth.

What a game takes for true, so that thousands of sets of flexible lines can be costed: orders go to one of the ways of buying (ways_of_buying);
in each, every line takes its cheapest pieces, lines that must be alike are flexible together or not at all, and lines that want more of
an offer than there is share it, as is cheapest for them together.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from functools import cached_property
from itertools import permutations

import numpy as np

from pipelines.insight.flexibility.line_prices import COLOUR, FORM, Floats, Ints
from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts, VendorSets
from pipelines.insight.flexibility.saving_game import Block, Game
from pipelines.insight.flexibility.vendor_mixes import MILLION, ways_of_buying

BLOCK_FLEXIBLE_LINES, BLOCK_UNITS, BLOCK_ORDERED = 8, 6, 4
"""The most flexible lines and portions in one block; portions up to which every order of sharing stock is tried."""


class FlexibilityMarket:
    """A model's portions in the ways of buying that are looked at.

    Args:
        costs: of the model's portions.
        plan_vendors: sets of vendors of known plans.
    """

    def __init__(self, costs: PortionCosts, plan_vendors: Iterable[Collection[str]]) -> None:
        self.costs, self.ways = costs, ways_of_buying(costs, plan_vendors)
        # One game's portions cost what they cost in another, as long as the same is free for them.
        self._costs_apart: dict[tuple[int, int], Floats] = {}
        self._costs_together: dict[tuple[tuple[int, ...], tuple[int, ...]], Floats] = {}
        self._wants: dict[tuple[int, int], dict[int, int]] = {}

    def colours_bought(self, line: int, free: Collection[Flexibility], way: int) -> list[str]:
        """The colours a line is bought in with some flexible lines in one way of buying, most pieces first."""
        premiums = self.ways.sets.premiums
        sets = VendorSets(self.ways.sets.masks[[way]], None if premiums is None else premiums[[way]])
        pieces: dict[str, int] = {}
        for unit in self.costs.units_of[line]:
            rows, is_open = self.costs.opened(unit, self.costs.flags(unit, free), sets, None)
            left = np.full(1, self.costs.uses.units[unit].quantity, np.int64)
            _, taken = self.costs.take(rows, np.where(is_open, self.costs.uses.most[rows], 0), left, sets)
            for row, count in zip(rows.tolist(), taken[0].tolist(), strict=True):
                if count:
                    code = self.costs.uses.colour_codes[self.costs.uses.colour[row]]
                    pieces[code] = pieces.get(code, 0) + count
        return sorted(pieces, key=lambda code: (-pieces[code], code))

    def pieces_in_other_colours(self, line: int) -> int:
        """Pieces on offer that a line could use if its colour were free."""
        count = 0
        for unit in self.costs.units_of[line]:
            span = self.costs.uses.units[unit].rows
            count += int(self.costs.uses.most[span][(self.costs.uses.needs[span] & COLOUR) > 0].sum())
        return count

    def game(self, players: Sequence[Flexibility], given: Collection[Flexibility] = ()) -> Game:
        """The game of some flexible lines, with others given."""
        free, playing = set(given), set(players)
        numbers = {flexibility: number for number, flexibility in enumerate(players)}
        fixed = self.ways.charges.copy()
        blocks = []
        for units, shares_stock in self._blocks(free, playing):
            own = sorted(
                {
                    self.costs.flexibility(self.costs.uses.units[u].line_number, bit)
                    for u in units
                    for bit in (COLOUR, FORM)
                }
                & playing,
                key=lambda flexibility: numbers[flexibility],
            )
            costs = self._block_costs(units, own, free, shares_stock)
            if own:
                blocks.append(Block(tuple(numbers[flexibility] for flexibility in own), costs))
            else:
                fixed += costs[0]
        return Game(len(players), fixed, tuple(blocks))

    def _one_colour(self, unit: int) -> Ints | None:
        """The colour of a portion of a group by way; None for portions that choose by themselves."""
        code = self.costs.uses.units[unit].group_code
        return self.ways.colours[:, self.costs.groups.index(code)] if code in self.costs.groups else None

    def _block_costs(
        self, units: Sequence[int], own: Sequence[Flexibility], given: set[Flexibility], shares_stock: bool
    ) -> Ints:
        """Costs of some portions by set of their flexible lines and way. A flexibility may go unused, so more of them never cost more."""
        sets = 1 << len(own)
        costs = np.empty((sets, len(self.ways.sets)), np.int64)
        for row in range(sets):
            free = given | {flexibility for bit, flexibility in enumerate(own) if row >> bit & 1}
            flags = [self.costs.flags(unit, free) for unit in units]
            cost = self._together(units, flags) if shares_stock else self._apart(units, flags)
            costs[row] = np.rint(cost * MILLION).astype(np.int64)
        for bit in range(len(own)):
            for row in range(sets):
                if row >> bit & 1:
                    costs[row] = np.minimum(costs[row], costs[row & ~(1 << bit)])
        return costs

    def _apart(self, units: Sequence[int], flags: Sequence[int]) -> Floats:
        for unit, flag in zip(units, flags, strict=True):
            if (unit, flag) not in self._costs_apart:
                cost = self.costs.cost(unit, flag, self.ways.sets, self._one_colour(unit))
                self._costs_apart[unit, flag] = cost
        found: Floats = np.sum([self._costs_apart[key] for key in zip(units, flags, strict=True)], axis=0)
        return found

    def _together(self, units: Sequence[int], flags: Sequence[int]) -> Floats:
        """Portions that share stock: the cheapest of several orders in which they may help themselves."""
        key = tuple(units), tuple(flags)
        if key not in self._costs_together:
            self._costs_together[key] = self._helping_themselves(units, flags)
        return self._costs_together[key]

    def _helping_themselves(self, units: Sequence[int], flags: Sequence[int]) -> Floats:
        many = len(units)
        orders = (
            list(permutations(range(many)))
            if many <= BLOCK_ORDERED
            else [(*range(turn, many), *range(turn)) for turn in range(many)]
        )
        opened = [
            self.costs.opened(unit, flag, self.ways.sets, self._one_colour(unit))
            for unit, flag in zip(units, flags, strict=True)
        ]
        best = np.full(len(self.ways.sets), np.inf)
        for order in orders:
            used: dict[int, Ints] = {}
            cost = np.zeros(len(best))
            for place in order:
                rows, is_open = opened[place]
                stock = np.where(is_open, self.costs.uses.most[rows], 0)
                for column, offer in enumerate(self.costs.uses.offer[rows].tolist()):
                    if offer in used:
                        stock[:, column] = np.maximum(0, stock[:, column] - used[offer])
                left = np.full(len(best), self.costs.uses.units[units[place]].quantity, np.int64)
                paid, taken = self.costs.take(rows, stock, left, self.ways.sets)
                cost += paid + self.costs.lacking(units[place], left)
                for column, offer in enumerate(self.costs.uses.offer[rows].tolist()):
                    if offer >= 0:
                        used[offer] = used.get(offer, 0) + taken[:, column]
            best = np.minimum(best, cost)
        return best

    def _blocks(self, given: set[Flexibility], playing: set[Flexibility]) -> list[tuple[list[int], bool]]:
        """Portions by block, and whether they share stock.

        Those of one line are in one block, those of lines that must be alike, and those of lines that together may want more
        of an offer than there is, as long as the block stays small; beyond that stock counts as if each had it for itself.
        """
        by_offer: dict[int, dict[int, int]] = {}
        for index in range(len(self.costs.uses.units)):
            for flags in {self.costs.flags(index, given), self.costs.flags(index, given | playing)}:
                for offer, most in self._most_needed(index, flags).items():
                    of_offer = by_offer.setdefault(offer, {})
                    of_offer[index] = max(most, of_offer.get(index, 0))
        lines = _Joined(self.costs, playing)
        for offer, of_offer in sorted(by_offer.items()):
            if sum(of_offer.values()) > self._stock[offer]:
                lines.join(sorted({self.costs.uses.units[unit_index].line_number for unit_index in of_offer}))
        return lines.blocks()

    def _most_needed(self, unit: int, flags: int) -> dict[int, int]:
        """By offer, the most pieces a portion takes of it in any way of buying; combinations do not count."""
        if (unit, flags) not in self._wants:
            uses, sets = self.costs.uses, self.ways.sets
            rows, is_open = self.costs.opened(unit, flags, sets, self._one_colour(unit))
            left = np.full(len(sets), uses.units[unit].quantity, np.int64)
            _, taken = self.costs.take(rows, np.where(is_open, uses.most[rows], 0), left, sets)
            found: dict[int, int] = {}
            for offer, most in zip(uses.offer[rows].tolist(), taken.max(axis=0, initial=0).tolist(), strict=True):
                if most and offer >= 0:
                    found[offer] = max(most, found.get(offer, 0))
            self._wants[unit, flags] = found
        return self._wants[unit, flags]

    @cached_property
    def _stock(self) -> dict[int, int]:
        return dict(zip(self.costs.uses.offer.tolist(), self.costs.uses.most.tolist(), strict=True))


class _Joined:
    """Lines joined into blocks of a limited size."""

    def __init__(self, costs: PortionCosts, playing: set[Flexibility]) -> None:
        self._costs, self._playing = costs, playing
        self._block = {line: costs.lines_of((first, COLOUR)) for line, first in costs.colour_flexibility.items()}
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
        flexible_lines = {
            self._costs.flexibility(line, bit) for line in lines for bit in (COLOUR, FORM)
        } & self._playing
        units = sum(len(self._costs.units_of[line]) for line in lines)
        return len(flexible_lines) <= BLOCK_FLEXIBLE_LINES and units <= BLOCK_UNITS

    def blocks(self) -> list[tuple[list[int], bool]]:
        found = sorted({tuple(block) for block in self._block.values()})
        return [
            (
                sorted(unit for line in block for unit in self._costs.units_of[line]),
                len(block) > 1 and len(block) <= BLOCK_UNITS and any(line in self._share_stock for line in block),
            )
            for block in found
        ]
