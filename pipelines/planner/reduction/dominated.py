"""Uses that a plan can do without, because the same vendor has as good a one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.statement.columns_as_arrays import MICRO, Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays


@dataclass(frozen=True)
class Cells:
    """Direct uses by portion, and by colour where the portion's group must agree on one.

    Attributes:
        use: direct uses by (cell, floor price, use).
        cell: the cell of each of them.
        start: where every cell's uses start, and the number of uses.
        portion, colour: of every cell; colour 0 where any will do.
        floor: the least that a piece of each use can cost.
    """

    use: Ints
    cell: Ints
    start: Ints
    portion: Ints
    colour: Ints
    floor: Floats


def cells_of(arrays: ProblemArrays, uses: Flags) -> Cells:
    """The cells of some of the uses."""
    direct = np.flatnonzero(uses & (arrays.use_combination < 0))
    portion = arrays.use_portion[direct]
    colour = np.where(arrays.group[portion] >= 0, arrays.use_colour[direct], 0)
    key = portion * (arrays.use_colour.max(initial=0) + 1) + colour
    floor = arrays.offer_floor[arrays.use_offer[direct]]
    order = np.lexsort((direct, floor, key))
    _, start, cell = np.unique(key[order], return_index=True, return_inverse=True)
    first = order[start]
    return Cells(direct[order], cell, np.append(start, len(order)), portion[first], colour[first], floor[order])


def undominated(arrays: ProblemArrays, *, in_relaxation: bool = False) -> Flags:
    """Uses that no other use of the same vendor makes needless.

    A use is needless if the same vendor has another offer for the same cell that is no dearer and has all that the portions
    can take of it: any plan can take its pieces there instead. That holds only where the choice changes nothing else: the same
    assortment, weight and dimension step, no limit on elements, no multiples or price steps, and no threshold that a dearer
    piece may help to reach. In a relaxation multiples are spread over the pieces, and value for thresholds comes as spares.

    The map back is the identity: the uses kept are uses of the problem, and a plan of them is a plan of the problem.
    """
    vendors = arrays.vendors
    indifferent = vendors.is_rising | (vendors.gains_by_spares & in_relaxation)
    indifferent &= np.array([terms.maximum_element_count is None for terms in vendors.bands], np.bool_)
    simple = ~arrays.is_stepped if in_relaxation else ~arrays.is_counted
    keep = np.ones(len(arrays.use_offer), np.bool_)
    comparable = (arrays.use_combination < 0) & (simple & indifferent[arrays.offer_vendor])[arrays.use_offer]
    cells = cells_of(arrays, comparable)
    if not len(cells.use):
        return keep
    offer = arrays.use_offer[cells.use]
    vendor = arrays.offer_vendor[offer]
    by_weight = np.array([bool(terms.weight_steps) for terms in vendors.bands], np.bool_)[vendor]
    weight = np.where(by_weight, np.rint(arrays.offer_weight[offer] * MICRO), 0).astype(np.int64)
    place = np.stack([cells.cell, vendor, arrays.offer_assortment[offer], arrays.offer_size_class[offer], weight])
    order = np.lexsort((cells.use, cells.floor, *place[::-1]))
    sufficient = (arrays.offer_most >= arrays.offer_want)[offer[order]].astype(np.int64)
    changes = np.append(True, (np.diff(place[:, order], axis=1) != 0).any(axis=0))
    before = np.cumsum(sufficient) - sufficient
    keep[cells.use[order[before > before[changes][np.cumsum(changes) - 1]]]] = False
    return keep
