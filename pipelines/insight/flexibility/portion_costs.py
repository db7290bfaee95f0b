"""What each portion of a model costs in sets of vendors: its cheapest pieces there, as far as what is free allows them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.insight.flexibility.line_prices import COLOUR, FORM, Bools, FlexibleUses, Floats, Ints, Unit

FORTUNE = 10_000.0
"""What a piece counts that a plan could buy and a way of buying lacks: more than any saving."""
AT_ONCE = 200_000
"""Uses times sets of vendors that are filled at once: about what a processor's own memory holds."""
Flexibility = tuple[int, int]
"""A line's number and a bit: COLOUR or FORM. Lines that must be alike have one flexibility of colour, under their lowest number."""


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


class PortionCosts:
    """What a model's portions cost in sets of vendors, by what is free; and its flexible lines.

    Args:
        uses: of the model.
        missing: by line and portion, pieces that can't be bought as listed, and what one counts in a complete cost. A way of
            buying that lacks more pieces than these is no way, because plans lack as few as they can.
        left_out: lines whose flexible lines do not count.
    """

    def __init__(
        self,
        uses: FlexibleUses,
        missing: Mapping[tuple[int, int], tuple[int, float]],
        left_out: Collection[int] = (),
    ) -> None:
        self.uses = uses
        self._missing = [missing.get((unit.line_number, unit.portion_number), (0, 0.0)) for unit in uses.units]
        groups = [unit.group_code for unit in uses.units if unit.group_code]
        self.groups = [code for code in sorted(set(groups)) if groups.count(code) > 1]
        self.units_of: dict[int, list[int]] = {}
        for index, unit in enumerate(uses.units):
            self.units_of.setdefault(unit.line_number, []).append(index)
        self.colour_flexibility = _alike_lines(uses.units, self.groups)
        counted = [unit.line_number not in left_out for unit in uses.units]
        self.granted = self._flexible_lines(COLOUR, [unit.is_granted for unit in uses.units], counted)
        self.undecided = self._flexible_lines(COLOUR, [unit.is_undecided for unit in uses.units], counted)
        self.forms = self._flexible_lines(FORM, [unit.is_designers for unit in uses.units], counted)

    def _flexible_lines(self, bit: int, is_meant: Sequence[bool], counted: Sequence[bool]) -> list[Flexibility]:
        """Flexible lines with a use that needs them; lines that must be alike count if all of them do."""
        found, not_counted = set(), set()
        for index, unit in enumerate(self.uses.units):
            flexibility = self.flexibility(unit.line_number, bit)
            if is_meant[index] and self._has(index, bit):
                found.add(flexibility)
            if not counted[index]:
                not_counted.add(flexibility)
        return sorted(found - not_counted)

    def flexibility(self, line_number: int, bit: int) -> Flexibility:
        """A line's flexibility."""
        return (self.colour_flexibility[line_number] if bit == COLOUR else line_number), bit

    def lines_of(self, flexibility: Flexibility) -> list[int]:
        """The lines that a flexibility is about: several where they must be alike."""
        if flexibility[1] == FORM:
            return [flexibility[0]]
        return [line for line, first in self.colour_flexibility.items() if first == flexibility[0]]

    def _has(self, unit: int, bit: int) -> bool:
        return bool((self.uses.needs[self.uses.units[unit].rows] & bit).any())

    # One portion's costs

    def flags(self, unit: int, free: Collection[Flexibility]) -> int:
        """The bits that are free for a portion: a line's flexibility of colour holds for portions granted or undecided."""
        line = self.uses.units[unit].line_number
        may = self.uses.units[unit].is_granted or self.uses.units[unit].is_undecided
        colour = may and self.flexibility(line, COLOUR) in free
        return (COLOUR if colour else 0) | (FORM if (line, FORM) in free else 0)

    def opened(self, unit: int, flags: int, sets: VendorSets, colours: Ints | None) -> tuple[Ints, Bools]:
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

    def cost(self, unit: int, flags: int, sets: VendorSets, colours: Ints | None = None) -> Floats:
        """A portion's cost by way, its cheapest pieces taken; a portion that must be of one colour takes the cheapest one."""
        group = self.uses.units[unit].group_code
        if group and flags & COLOUR and colours is None:
            listed = self.cost(unit, flags & ~COLOUR, sets)
            found: Floats = np.minimum(listed, self.in_one_colour(unit, flags, sets).min(axis=0, initial=np.inf))
            return found
        rows, is_open = self.opened(unit, flags, sets, colours)
        left = np.full(len(sets), self.uses.units[unit].quantity, np.int64)
        cost, _ = self.take(rows, np.where(is_open, self.uses.most[rows], 0), left, sets)
        return cost + self.lacking(unit, left)

    def lacking(self, unit: int, left: Ints) -> Floats:
        """What missing pieces count: their estimate, as far as they are missing as listed too, and beyond that a fortune."""
        count, price = self._missing[unit]
        estimated = np.minimum(left, count)
        return np.asarray(estimated * price + (left - estimated) * FORTUNE)

    def take(self, rows: Ints, stock: Ints, left: Ints, sets: VendorSets) -> tuple[Floats, Ints]:
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

    def in_one_colour(self, unit: int, flags: int, sets: VendorSets) -> Floats:
        """Cost by colour and way of a portion all in one colour."""
        colours = np.arange(len(self.uses.colour_codes))
        present = np.unique(self.uses.colour[self.uses.units[unit].rows])
        found = np.full((len(colours), len(sets)), np.inf)
        for colour in present:
            found[colour] = self.cost(unit, flags, sets, np.full(len(sets), colour))
        return found

    def orders(self, sets: VendorSets, free: set[Flexibility]) -> tuple[Floats, Floats]:
        """Goods value and weight of every order, by vendor and set."""
        uses, units = self.uses, self.uses.units
        shape = (len(uses.vendor_codes), len(sets))
        goods, weight = np.zeros(shape), np.zeros(shape)
        is_lifted = sets.premiums is not None and bool(sets.premiums.any())
        for batch in _batches(units, 1 if is_lifted else max(1, AT_ONCE // max(1, len(sets)))):
            rows, taken = self._taken_one(batch[0], sets, free) if is_lifted else self._taken(batch, sets, free)
            np.add.at(goods, uses.vendor[rows], (taken * uses.goods[rows]).T)
            np.add.at(weight, uses.vendor[rows], (taken * uses.weight[rows]).T)
        return goods, weight

    def _taken_one(self, unit: int, sets: VendorSets, free: set[Flexibility]) -> tuple[Ints, Ints]:
        """Rows that a portion may use, and pieces it takes by set and row."""
        rows, is_open = self.opened(unit, self.flags(unit, free), sets, None)
        left = np.full(len(sets), self.uses.units[unit].quantity, np.int64)
        return rows, self.take(rows, np.where(is_open, self.uses.most[rows], 0), left, sets)[1]

    def _taken(self, batch: Sequence[int], sets: VendorSets, free: set[Flexibility]) -> tuple[Ints, Ints]:
        """The same of consecutive portions at once, each taking its cheapest pieces, where nothing changes the order of prices."""
        uses, units = self.uses, [self.uses.units[index] for index in batch]
        of_row = np.repeat(np.arange(len(units)), [unit.rows.stop - unit.rows.start for unit in units])
        flags = np.array([self.flags(index, free) for index in batch], np.int64)
        first = units[0].rows.start
        own = np.flatnonzero((uses.needs[first : units[-1].rows.stop] & ~flags[of_row]) == 0)
        rows, of_row = own + first, of_row[own]
        stock = np.where(sets.masks[:, uses.vendor[rows]], uses.most[rows], 0)
        before = np.cumsum(stock, axis=1) - stock
        # What earlier portions of the batch took the sum to is no part of a portion's own.
        base = before[:, np.searchsorted(of_row, of_row)]
        quantity = np.array([unit.quantity for unit in units], np.int64)[of_row]
        return rows, np.clip(quantity - (before - base), 0, stock)


def _batches(units: Sequence[Unit], most: int) -> list[list[int]]:
    """Numbers of consecutive portions with at most so many rows together; larger ones stay alone."""
    found: list[list[int]] = []
    size = 0
    for index, unit in enumerate(units):
        size += unit.rows.stop - unit.rows.start
        if not found or size > most or most == 1:
            found.append([])
            size = unit.rows.stop - unit.rows.start
        found[-1].append(index)
    return found


def _alike_lines(units: Sequence[Unit], groups: Collection[str]) -> dict[int, int]:
    """By line, the lowest number among the lines that must be alike with it, over however many groups."""
    first = {unit.line_number: unit.line_number for unit in units}
    for code in groups:
        own = {first[unit.line_number] for unit in units if unit.group_code == code}
        first = {line: min(own) if number in own else number for line, number in first.items()}
    return first
