"""Uses that another use of the same vendor makes needless."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.statement.columns_as_arrays import MICRO, Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled


@dataclass(frozen=True)
class Cells:
    """Direct uses by portion, and by colour where the portion's group must agree on one.

    Attributes:
        use: direct uses by (cell, floor price, use).
        cell: the cell of each of them.
        start: first of every cell, and their number.
        portion, colour: of every cell.
        floor: the least a piece can cost, in the buyer's currency, by use in the same order.
    """

    use: Ints
    cell: Ints
    start: Ints
    portion: Ints
    colour: Ints
    floor: Floats


def cells_of(compiled: Compiled, uses: Flags) -> Cells:
    """The cells of some of the uses."""
    direct = np.flatnonzero(uses & (compiled.use_combination < 0))
    portion = compiled.use_portion[direct]
    colour = np.where(compiled.group[portion] >= 0, compiled.use_colour[direct], 0)
    key = portion * (compiled.use_colour.max(initial=0) + 1) + colour
    floor = compiled.offer_floor[compiled.use_offer[direct]]
    order = np.lexsort((direct, floor, key))
    _, start, cell = np.unique(key[order], return_index=True, return_inverse=True)
    first = order[start]
    return Cells(direct[order], cell, np.append(start, len(order)), portion[first], colour[first], floor[order])


def undominated(compiled: Compiled, *, in_relaxation: bool = False) -> Flags:
    """Uses that no other use of the same vendor makes needless.

    A use is needless if the same vendor has a listing for the same cell that is no dearer and holds all that portions could
    want of it: any plan can take its pieces there instead. Only where the choice changes nothing else: the same assortment,
    weight and dimension step, no limit on elements, no multiples or price steps, and no threshold for which a dearer piece
    might count. In a relaxation multiples are spread over the pieces, and value for thresholds comes as spares.
    """
    vendors = compiled.vendors
    indifferent = vendors.is_rising | (vendors.gains_by_spares & in_relaxation)
    indifferent &= np.array([terms.maximum_element_count is None for terms in vendors.bands], np.bool_)
    simple = ~compiled.is_stepped if in_relaxation else ~compiled.is_counted
    keep = np.ones(len(compiled.use_offer), np.bool_)
    comparable = (compiled.use_combination < 0) & (simple & indifferent[compiled.offer_vendor])[compiled.use_offer]
    cells = cells_of(compiled, comparable)
    if not len(cells.use):
        return keep
    offer = compiled.use_offer[cells.use]
    vendor = compiled.offer_vendor[offer]
    by_weight = np.array([bool(terms.weight_steps) for terms in vendors.bands], np.bool_)[vendor]
    weight = np.where(by_weight, np.rint(compiled.offer_weight[offer] * MICRO), 0).astype(np.int64)
    place = np.stack([cells.cell, vendor, compiled.offer_assortment[offer], compiled.offer_size_class[offer], weight])
    order = np.lexsort((cells.use, cells.floor, *place[::-1]))
    sufficient = (compiled.offer_most >= compiled.offer_want)[offer[order]].astype(np.int64)
    changes = np.append(True, (np.diff(place[:, order], axis=1) != 0).any(axis=0))
    before = np.cumsum(sufficient) - sufficient
    keep[cells.use[order[before > before[changes][np.cumsum(changes) - 1]]]] = False
    return keep
