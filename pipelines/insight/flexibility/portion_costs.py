"""What each portion of a model costs in sets of vendors: the cheapest pieces there that its flexibility allows."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.insight.flexibility.priced_uses import COLOUR, FORM, Bools, Floats, Ints, PricedPortion, PricedUses

FORTUNE = 10_000.0
"""What a piece counts that a plan could buy and a vendor mix lacks: more than any saving."""
AT_ONCE = 200_000
"""Uses times sets of vendors that are filled at once: about what a processor's own memory holds."""
Flexibility = tuple[int, int]
"""A line's number and a bit, COLOUR or FORM. Lines that must be alike share one flexibility, under their lowest number."""


@dataclass(frozen=True)
class VendorSets:
    """Sets of vendors to order from.

    Attributes:
        masks: bool, by set and vendor.
        premiums: by set and vendor, the share by which its pieces count as cheaper than they are, so that enough are bought
            there to reach its minimum order; None where all are 0.
    """

    masks: Bools
    premiums: Floats | None = None

    def __len__(self) -> int:
        return len(self.masks)


class PortionCosts:
    """What a model's portions cost in sets of vendors, by flexibility; and which flexibility it has.

    Args:
        uses: of the model.
        missing: by line and portion, pieces that can't be bought as listed, and what one counts in a complete cost. A mix
            that lacks more pieces than these is no mix, because plans lack as few as they can.
        left_out: lines whose flexibility does not count.
    """

    def __init__(
        self,
        uses: PricedUses,
        missing: Mapping[tuple[int, int], tuple[int, float]],
        left_out: Collection[int] = (),
    ) -> None:
        self.uses = uses
        self._missing = [
            missing.get((portion.line_number, portion.portion_number), (0, 0.0)) for portion in uses.portions
        ]
        groups = [portion.group_code for portion in uses.portions if portion.group_code]
        self.groups = [code for code in sorted(set(groups)) if groups.count(code) > 1]
        self.portions_of: dict[int, list[int]] = {}
        for index, portion in enumerate(uses.portions):
            self.portions_of.setdefault(portion.line_number, []).append(index)
        self.colour_flexibility = _alike_lines(uses.portions, self.groups)
        counted = [portion.line_number not in left_out for portion in uses.portions]
        self.colours_allowed = self._needed_flexibility(
            COLOUR, [portion.is_colour_allowed for portion in uses.portions], counted
        )
        self.undecided = self._needed_flexibility(COLOUR, [portion.is_undecided for portion in uses.portions], counted)
        self.forms_allowed = self._needed_flexibility(
            FORM, [portion.is_designers for portion in uses.portions], counted
        )

    @property
    def allowed(self) -> list[Flexibility]:
        """The flexibility that counts today: colours that were decided, and other forms."""
        return [*self.colours_allowed, *self.forms_allowed]

    def _needed_flexibility(self, bit: int, is_meant: Sequence[bool], counted: Sequence[bool]) -> list[Flexibility]:
        """Flexibility that some use needs, sorted; that of lines which must be alike counts if all these lines count."""
        found, not_counted = set(), set()
        for index, portion in enumerate(self.uses.portions):
            flexibility = self.flexibility(portion.line_number, bit)
            if is_meant[index] and self._has(index, bit):
                found.add(flexibility)
            if not counted[index]:
                not_counted.add(flexibility)
        return sorted(found - not_counted)

    def flexibility(self, line_number: int, bit: int) -> Flexibility:
        """A line's flexibility of colour or of form."""
        return (self.colour_flexibility[line_number] if bit == COLOUR else line_number), bit

    def lines_of(self, flexibility: Flexibility) -> list[int]:
        """The lines that a flexibility is about: several where they must be alike."""
        if flexibility[1] == FORM:
            return [flexibility[0]]
        return [line for line, first in self.colour_flexibility.items() if first == flexibility[0]]

    def _has(self, portion: int, bit: int) -> bool:
        return bool((self.uses.needs[self.uses.portions[portion].rows] & bit).any())

    # One portion's costs

    def flags(self, portion: int, flexible: Collection[Flexibility]) -> int:
        """The bits that a portion has: its line's flexibility of colour is for portions that may use it or are undecided."""
        line = self.uses.portions[portion].line_number
        may = self.uses.portions[portion].is_colour_allowed or self.uses.portions[portion].is_undecided
        colour = may and self.flexibility(line, COLOUR) in flexible
        return (COLOUR if colour else 0) | (FORM if (line, FORM) in flexible else 0)

    def opened(self, portion: int, flags: int, sets: VendorSets, colours: Ints | None) -> tuple[Ints, Bools]:
        """Rows of a portion's uses, and by set which are open; ``colours``: by set, the one colour it must take."""
        uses, span = self.uses, self.uses.portions[portion].rows
        rows = np.arange(span.start, span.stop)
        rows = rows[(uses.needs[rows] & ~flags) == 0]
        is_open = sets.masks[:, uses.vendor[rows]]
        if colours is not None and flags & COLOUR:
            in_colour = uses.colour[rows][None, :] == colours[:, None]
            as_listed = ((uses.needs[rows] & COLOUR) == 0)[None, :] & (colours < 0)[:, None]
            is_open = is_open & (in_colour | as_listed)
        return rows, is_open

    def cost(self, portion: int, flags: int, sets: VendorSets, colours: Ints | None = None) -> Floats:
        """A portion's cost by set, its cheapest pieces taken; one that must be of one colour takes the cheapest colour."""
        group = self.uses.portions[portion].group_code
        if group and flags & COLOUR and colours is None:
            listed = self.cost(portion, flags & ~COLOUR, sets)
            found: Floats = np.minimum(listed, self.in_one_colour(portion, flags, sets).min(axis=0, initial=np.inf))
            return found
        rows, is_open = self.opened(portion, flags, sets, colours)
        left = np.full(len(sets), self.uses.portions[portion].quantity, np.int64)
        cost, _ = self.take(rows, np.where(is_open, self.uses.most[rows], 0), left, sets)
        return cost + self.lacking(portion, left)

    def lacking(self, portion: int, left: Ints) -> Floats:
        """What missing pieces count: the estimate for those that are missing as listed too, FORTUNE for others."""
        count, price = self._missing[portion]
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

    def in_one_colour(self, portion: int, flags: int, sets: VendorSets) -> Floats:
        """A portion's cost all in one colour, by colour and set."""
        colours = np.arange(len(self.uses.colour_codes))
        present = np.unique(self.uses.colour[self.uses.portions[portion].rows])
        found = np.full((len(colours), len(sets)), np.inf)
        for colour in present:
            found[colour] = self.cost(portion, flags, sets, np.full(len(sets), colour))
        return found

    def orders(self, sets: VendorSets, flexible: set[Flexibility]) -> tuple[Floats, Floats]:
        """Goods value and weight of every order, by vendor and set."""
        uses, portions = self.uses, self.uses.portions
        shape = (len(uses.vendor_codes), len(sets))
        goods, weight = np.zeros(shape), np.zeros(shape)
        is_lifted = sets.premiums is not None and bool(sets.premiums.any())
        for batch in _batches(portions, 1 if is_lifted else max(1, AT_ONCE // max(1, len(sets)))):
            rows, taken = self._taken_one(batch[0], sets, flexible) if is_lifted else self._taken(batch, sets, flexible)
            np.add.at(goods, uses.vendor[rows], (taken * uses.goods[rows]).T)
            np.add.at(weight, uses.vendor[rows], (taken * uses.weight[rows]).T)
        return goods, weight

    def _taken_one(self, portion: int, sets: VendorSets, flexible: set[Flexibility]) -> tuple[Ints, Ints]:
        """Rows that a portion may use, and pieces it takes by set and row."""
        rows, is_open = self.opened(portion, self.flags(portion, flexible), sets, None)
        left = np.full(len(sets), self.uses.portions[portion].quantity, np.int64)
        return rows, self.take(rows, np.where(is_open, self.uses.most[rows], 0), left, sets)[1]

    def _taken(self, batch: Sequence[int], sets: VendorSets, flexible: set[Flexibility]) -> tuple[Ints, Ints]:
        """The same for consecutive portions at once, where no premium changes the order of prices."""
        uses, portions = self.uses, [self.uses.portions[index] for index in batch]
        of_row = np.repeat(np.arange(len(portions)), [portion.rows.stop - portion.rows.start for portion in portions])
        flags = np.array([self.flags(index, flexible) for index in batch], np.int64)
        first = portions[0].rows.start
        own = np.flatnonzero((uses.needs[first : portions[-1].rows.stop] & ~flags[of_row]) == 0)
        rows, of_row = own + first, of_row[own]
        stock = np.where(sets.masks[:, uses.vendor[rows]], uses.most[rows], 0)
        before = np.cumsum(stock, axis=1) - stock
        # The running sum goes on over portions: take off what stood before each portion's first row.
        base = before[:, np.searchsorted(of_row, of_row)]
        quantity = np.array([portion.quantity for portion in portions], np.int64)[of_row]
        return rows, np.clip(quantity - (before - base), 0, stock)


def _batches(portions: Sequence[PricedPortion], most: int) -> list[list[int]]:
    """Numbers of consecutive portions that have at most so many rows together; a larger one stays alone."""
    found: list[list[int]] = []
    size = 0
    for index, portion in enumerate(portions):
        size += portion.rows.stop - portion.rows.start
        if not found or size > most or most == 1:
            found.append([])
            size = portion.rows.stop - portion.rows.start
        found[-1].append(index)
    return found


def _alike_lines(portions: Sequence[PricedPortion], groups: Collection[str]) -> dict[int, int]:
    """By line, the lowest number among all lines that must be alike with it, in one group or through several."""
    first = {portion.line_number: portion.line_number for portion in portions}
    for code in groups:
        own = {first[portion.line_number] for portion in portions if portion.group_code == code}
        first = {line: min(own) if number in own else number for line, number in first.items()}
    return first
