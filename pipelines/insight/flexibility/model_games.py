"""The saving games of one model: what it costs with any set of its flexible lines, estimated without planning.

Thousands of sets must be costed, so a game simplifies. Orders go to one of a few vendor mixes (vendor_mixes). In each mix
every line takes its cheapest pieces there. Lines that must be alike are flexible together or not at all. Lines that need
more of an offer than there is share it in the way that is cheapest for them together.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from functools import cached_property
from itertools import permutations

import numpy as np

from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts, VendorSets
from pipelines.insight.flexibility.priced_uses import COLOUR, FORM, Floats, Ints
from pipelines.insight.flexibility.saving_game import Block, SavingGame
from pipelines.insight.flexibility.vendor_mixes import MILLION, vendor_mixes

BLOCK_PLAYERS, BLOCK_PORTIONS, BLOCK_ORDERED = 8, 6, 4
"""The most flexibilities and portions in one block; portions up to which every sequence of sharing stock is tried."""


class ModelGames:
    """Makes games of a model's flexible lines from its portions' costs in a few vendor mixes.

    Args:
        costs: of the model's portions.
        plan_vendors: sets of vendors of known plans.
    """

    def __init__(self, costs: PortionCosts, plan_vendors: Iterable[Collection[str]]) -> None:
        self.costs, self.mixes = costs, vendor_mixes(costs, plan_vendors)
        # A portion with the same flexibility costs the same in every game of the model.
        self._costs_apart: dict[tuple[int, int], Floats] = {}
        self._costs_together: dict[tuple[tuple[int, ...], tuple[int, ...]], Floats] = {}
        self._most_by_portion: dict[tuple[int, int], dict[int, int]] = {}

    def colours_bought(self, line: int, flexible: Collection[Flexibility], mix: int) -> list[str]:
        """The colours a line is bought in under some flexibility in one vendor mix, most pieces first."""
        premiums = self.mixes.sets.premiums
        sets = VendorSets(self.mixes.sets.masks[[mix]], None if premiums is None else premiums[[mix]])
        pieces: dict[str, int] = {}
        for portion in self.costs.portions_of[line]:
            rows, is_open = self.costs.opened(portion, self.costs.flags(portion, flexible), sets, None)
            left = np.full(1, self.costs.uses.portions[portion].quantity, np.int64)
            _, taken = self.costs.take(rows, np.where(is_open, self.costs.uses.most[rows], 0), left, sets)
            for row, count in zip(rows.tolist(), taken[0].tolist(), strict=True):
                if count:
                    code = self.costs.uses.colour_codes[self.costs.uses.colour[row]]
                    pieces[code] = pieces.get(code, 0) + count
        return sorted(pieces, key=lambda code: (-pieces[code], code))

    def pieces_in_other_colours(self, line: int) -> int:
        """Pieces on offer that only flexibility of colour lets a line use."""
        count = 0
        for portion in self.costs.portions_of[line]:
            span = self.costs.uses.portions[portion].rows
            count += int(self.costs.uses.most[span][(self.costs.uses.needs[span] & COLOUR) > 0].sum())
        return count

    def game(self, players: Sequence[Flexibility], given: Collection[Flexibility] = ()) -> SavingGame:
        """The game whose players are some flexibilities, while others count in any case (``given``)."""
        flexible, playing = set(given), set(players)
        numbers = {flexibility: number for number, flexibility in enumerate(players)}
        fixed = self.mixes.charges.copy()
        blocks = []
        for portions, shares_stock in self._blocks(flexible, playing):
            own = sorted(
                {
                    self.costs.flexibility(self.costs.uses.portions[u].line_number, bit)
                    for u in portions
                    for bit in (COLOUR, FORM)
                }
                & playing,
                key=lambda flexibility: numbers[flexibility],
            )
            costs = self._block_costs(portions, own, flexible, shares_stock)
            if own:
                blocks.append(Block(tuple(numbers[flexibility] for flexibility in own), costs))
            else:
                fixed += costs[0]
        return SavingGame(len(players), fixed, tuple(blocks))

    def _one_colour(self, portion: int) -> Ints | None:
        """By mix, the colour that a portion's group takes; None for portions that choose by themselves."""
        code = self.costs.uses.portions[portion].group_code
        return self.mixes.colours[:, self.costs.groups.index(code)] if code in self.costs.groups else None

    def _block_costs(
        self, portions: Sequence[int], own: Sequence[Flexibility], given: set[Flexibility], shares_stock: bool
    ) -> Ints:
        """Costs of some portions by set of their players and mix; a player may do nothing, so more never cost more."""
        sets = 1 << len(own)
        costs = np.empty((sets, len(self.mixes.sets)), np.int64)
        for row in range(sets):
            flexible = given | {flexibility for bit, flexibility in enumerate(own) if row >> bit & 1}
            flags = [self.costs.flags(portion, flexible) for portion in portions]
            cost = self._together(portions, flags) if shares_stock else self._apart(portions, flags)
            costs[row] = np.rint(cost * MILLION).astype(np.int64)
        for bit in range(len(own)):
            for row in range(sets):
                if row >> bit & 1:
                    costs[row] = np.minimum(costs[row], costs[row & ~(1 << bit)])
        return costs

    def _apart(self, portions: Sequence[int], flags: Sequence[int]) -> Floats:
        for portion, flag in zip(portions, flags, strict=True):
            if (portion, flag) not in self._costs_apart:
                cost = self.costs.cost(portion, flag, self.mixes.sets, self._one_colour(portion))
                self._costs_apart[portion, flag] = cost
        found: Floats = np.sum([self._costs_apart[key] for key in zip(portions, flags, strict=True)], axis=0)
        return found

    def _together(self, portions: Sequence[int], flags: Sequence[int]) -> Floats:
        """Costs of portions that share stock, by mix."""
        key = tuple(portions), tuple(flags)
        if key not in self._costs_together:
            self._costs_together[key] = self._taking_turns(portions, flags)
        return self._costs_together[key]

    def _taking_turns(self, portions: Sequence[int], flags: Sequence[int]) -> Floats:
        """The cheapest of several sequences in which portions take pieces from the stock that is left."""
        many = len(portions)
        sequences = (
            list(permutations(range(many)))
            if many <= BLOCK_ORDERED
            else [(*range(turn, many), *range(turn)) for turn in range(many)]
        )
        opened = [
            self.costs.opened(portion, flag, self.mixes.sets, self._one_colour(portion))
            for portion, flag in zip(portions, flags, strict=True)
        ]
        best = np.full(len(self.mixes.sets), np.inf)
        for sequence in sequences:
            used: dict[int, Ints] = {}
            cost = np.zeros(len(best))
            for place in sequence:
                rows, is_open = opened[place]
                stock = np.where(is_open, self.costs.uses.most[rows], 0)
                for column, offer in enumerate(self.costs.uses.offer[rows].tolist()):
                    if offer in used:
                        stock[:, column] = np.maximum(0, stock[:, column] - used[offer])
                left = np.full(len(best), self.costs.uses.portions[portions[place]].quantity, np.int64)
                paid, taken = self.costs.take(rows, stock, left, self.mixes.sets)
                cost += paid + self.costs.lacking(portions[place], left)
                for column, offer in enumerate(self.costs.uses.offer[rows].tolist()):
                    if offer >= 0:
                        used[offer] = used.get(offer, 0) + taken[:, column]
            best = np.minimum(best, cost)
        return best

    def _blocks(self, given: set[Flexibility], playing: set[Flexibility]) -> list[tuple[list[int], bool]]:
        """Portions by block, and whether they share stock.

        One block holds the portions of a line, of lines that must be alike, and of lines that together may need more of an
        offer than there is, as long as it stays small. Beyond that each counts as if it had the stock for itself.
        """
        by_offer: dict[int, dict[int, int]] = {}
        for index in range(len(self.costs.uses.portions)):
            for flags in {self.costs.flags(index, given), self.costs.flags(index, given | playing)}:
                for offer, most in self._most_needed(index, flags).items():
                    of_offer = by_offer.setdefault(offer, {})
                    of_offer[index] = max(most, of_offer.get(index, 0))
        lines = _Joined(self.costs, playing)
        for offer, of_offer in sorted(by_offer.items()):
            if sum(of_offer.values()) > self._stock[offer]:
                lines.join(sorted({self.costs.uses.portions[portion_index].line_number for portion_index in of_offer}))
        return lines.blocks()

    def _most_needed(self, portion: int, flags: int) -> dict[int, int]:
        """By offer, the most pieces a portion takes of it in any vendor mix; combinations do not count."""
        if (portion, flags) not in self._most_by_portion:
            uses, sets = self.costs.uses, self.mixes.sets
            rows, is_open = self.costs.opened(portion, flags, sets, self._one_colour(portion))
            left = np.full(len(sets), uses.portions[portion].quantity, np.int64)
            _, taken = self.costs.take(rows, np.where(is_open, uses.most[rows], 0), left, sets)
            found: dict[int, int] = {}
            for offer, most in zip(uses.offer[rows].tolist(), taken.max(axis=0, initial=0).tolist(), strict=True):
                if most and offer >= 0:
                    found[offer] = max(most, found.get(offer, 0))
            self._most_by_portion[portion, flags] = found
        return self._most_by_portion[portion, flags]

    @cached_property
    def _stock(self) -> dict[int, int]:
        return dict(zip(self.costs.uses.offer.tolist(), self.costs.uses.most.tolist(), strict=True))


class _Joined:
    """Lines joined into blocks of limited size."""

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
        players = {self._costs.flexibility(line, bit) for line in lines for bit in (COLOUR, FORM)} & self._playing
        portions = sum(len(self._costs.portions_of[line]) for line in lines)
        return len(players) <= BLOCK_PLAYERS and portions <= BLOCK_PORTIONS

    def blocks(self) -> list[tuple[list[int], bool]]:
        found = sorted({tuple(block) for block in self._block.values()})
        return [
            (
                sorted(portion for line in block for portion in self._costs.portions_of[line]),
                len(block) > 1 and len(block) <= BLOCK_PORTIONS and any(line in self._share_stock for line in block),
            )
            for block in found
        ]
