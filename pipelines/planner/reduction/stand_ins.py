"""Leaves dear uses out of a relaxation, with stand-ins in their place, so that its optimum is still a lower bound."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.reduction.dominated import Cells
from pipelines.planner.statement.bands import charges_rise
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.shared_stock import usable_stock

FILLER_CLASSES = 8
"""Fillers are grouped into so many classes by what they cost above the stand-ins."""

NEAR = 0.75
"""Uses of vendors with thresholds stay if this share of their cost is below the stand-in's price: they help to reach those."""


@dataclass(frozen=True)
class StandIns:
    """In the place of uses left out: any number of pieces of a cell at ``price``, which is no more than those uses cost.

    A cell is a portion, or a portion in one colour when its group must agree on one.
    """

    cell_portion: Ints
    cell_colour: Ints
    price: Floats


@dataclass(frozen=True)
class Fillers:
    """Goods values that a relaxation may add to orders of vendors with thresholds, for uses left out.

    Attributes:
        offer: one offer of the vendor and assortment, which stands for them.
        most: the most goods value.
        credit: what is taken off its cost per unit.
    """

    offer: Ints
    most: Floats
    credit: Floats


@dataclass(frozen=True)
class ReducedUses:
    """The uses that a relaxation states, and what takes the place of the others.

    Attributes:
        uses: uses to state.
        stand_ins: pieces for cells.
        fillers: goods values for vendors with thresholds.
        loose: offers whose uses are all dearer than their stand-ins; the program may link them loosely to their vendor.
        cell_of, filler_of: the map back: by use, the stand-in and the filler that take its place; -1 for none.
    """

    uses: Flags
    stand_ins: StandIns
    fillers: Fillers
    loose: Flags
    cell_of: Ints
    filler_of: Ints


def with_stand_ins(arrays: ProblemArrays, uses: Flags, cells: Cells, depth: Floats) -> ReducedUses:
    """Leave out uses that cost at least as much as a stand-in, of which there is any number.

    Take the cheapest uses of a cell that could fill it ``depth`` times. The stand-in costs as much as the cheapest use beyond
    these. Whatever a plan buys beyond, the stand-in supplies for no more: the problem becomes a relaxation, and its optimum is
    a lower bound. Such a purchase also counts towards thresholds by its value. That value comes from a filler, for the least
    that the purchase costs above the stand-in.

    Vendors whose charges by size may fall when more is bought keep all their uses. An offer with price steps is left out only
    with all its uses, and only at vendors without thresholds.

    Args:
        arrays, uses: the problem, and the uses that count in a relaxation.
        cells: of these uses.
        depth: by cell.
    """
    is_dearer, price, has_stand_in = _beyond_stand_ins(arrays, uses, cells, depth)
    has_near_use = np.zeros(len(arrays.offer_row), np.bool_)
    has_near_use[arrays.use_offer[uses & ~is_dearer]] = True
    rises = [charges_rise(terms.weight_steps) and charges_rise(terms.dimension_steps) for terms in arrays.vendors.bands]
    can_drop = np.array(rises, np.bool_)[arrays.offer_vendor] & ~(arrays.is_stepped & has_near_use)
    # What a piece counts towards a threshold depends on how many are bought; a filler has one credit for all.
    can_drop &= ~(arrays.is_stepped & ~arrays.vendors.is_rising[arrays.offer_vendor])
    has_goods_row = np.array([not terms.is_one_band for terms in arrays.vendors.bands], np.bool_)
    useful = np.zeros(len(uses), np.bool_)
    useful[cells.use] = cells.floor * NEAR < price[cells.cell]
    useful &= ~arrays.vendors.is_rising[arrays.offer_vendor[arrays.use_offer]]
    dropped = is_dearer & can_drop[arrays.use_offer] & ~useful
    loose = ~has_near_use & has_goods_row[arrays.offer_vendor]
    stand_ins = StandIns(cells.portion[has_stand_in], cells.colour[has_stand_in], price[has_stand_in])
    cell_of = np.full(len(uses), -1)
    cell_of[cells.use] = np.where(dropped[cells.use], (np.cumsum(has_stand_in) - 1)[cells.cell], -1)
    fillers, filler_of = _fillers(arrays, dropped, cell_of, stand_ins)
    return ReducedUses(uses & ~dropped, stand_ins, fillers, loose, cell_of, filler_of)


def _beyond_stand_ins(arrays: ProblemArrays, uses: Flags, cells: Cells, depth: Floats) -> tuple[Flags, Floats, Flags]:
    """Uses that a stand-in is no dearer than, the stand-ins' prices by cell, and which cells have one."""
    is_dearer = np.zeros(len(uses), np.bool_)
    price, has_stand_in = np.full(len(cells.portion), np.inf), np.zeros(len(cells.portion), np.bool_)
    if not len(cells.use):
        return is_dearer, price, has_stand_in
    supply = usable_stock(arrays)  # several orders bring no more
    share = np.minimum(supply[arrays.use_offer[cells.use]], arrays.need[arrays.use_portion[cells.use]])
    reached = np.cumsum(share)
    before = np.append(0, reached)[cells.start[:-1]]
    position = np.searchsorted(reached, before + depth * arrays.need[cells.portion], side="left")
    enough = position < cells.start[1:]
    last_price = np.full(len(cells.portion), np.inf)
    last_price[enough] = cells.floor[position[enough]]
    in_reach = np.add.reduceat(cells.floor <= last_price[cells.cell], cells.start[:-1], dtype=np.int64)
    first_dearer = cells.start[:-1] + in_reach
    has_stand_in = first_dearer < cells.start[1:]
    price[has_stand_in] = cells.floor[first_dearer[has_stand_in]]
    is_dearer[cells.use] = cells.floor > last_price[cells.cell]
    return is_dearer, price, has_stand_in


def _fillers(arrays: ProblemArrays, dropped: Flags, cell_of: Ints, stand_ins: StandIns) -> tuple[Fillers, Ints]:
    """Fillers by vendor, assortment and class of what the uses left out cost above their stand-ins; and each use's."""
    filler_of = np.full(len(dropped), -1)
    left_out = np.flatnonzero(dropped & ~arrays.vendors.is_rising[arrays.offer_vendor[arrays.use_offer]])
    offer = arrays.use_offer[left_out]
    vendor = arrays.offer_vendor[offer]
    value = arrays.offer_highest_price[offer] * arrays.offer_spread[offer]
    credit = stand_ins.price[cell_of[left_out]] / value
    excess = np.floor((1 - credit / arrays.vendors.floor[vendor]) * FILLER_CLASSES).astype(np.int64)
    place = np.stack([vendor, arrays.offer_assortment[offer], excess], axis=1)
    places, first, place_of = np.unique(place, axis=0, return_index=True, return_inverse=True)
    pieces = np.minimum(arrays.offer_most[offer], arrays.use_want[left_out])
    most = np.bincount(place_of.ravel(), value * pieces, len(places)).astype(np.float64)
    best_credit = np.zeros(len(places))
    np.maximum.at(best_credit, place_of.ravel(), credit)
    filler_of[left_out] = place_of.ravel()
    return Fillers(offer[first], most, best_credit), filler_of
