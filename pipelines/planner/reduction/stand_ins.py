"""Dear uses left out of a relaxation, and stand-ins in their place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.reduction.dominated import Cells
from pipelines.planner.statement.bands import charges_rise
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled
from pipelines.planner.statement.shared_stock import supply_of

FILLER_CLASSES = 8
NEAR = 0.75


@dataclass(frozen=True)
class Relaxation:
    """A cheaper stand-in for uses left out: any number of pieces of a cell at ``price``.

    A cell is a portion, or a portion in one colour when its group must agree on one.
    """

    cell_portion: Ints
    cell_colour: Ints
    price: Floats


@dataclass(frozen=True)
class Fillers:
    """Goods values that a relaxation may add to orders of vendors with thresholds, for uses left out.

    Attributes:
        offer: an offer of the vendor and assortment.
        most: the most value, in the vendor's currency.
        credit: what is taken off its cost, per unit of the vendor's currency, in the buyer's.
    """

    offer: Ints
    most: Floats
    credit: Floats


@dataclass(frozen=True)
class Front:
    """The uses in front of their cells' stand-ins, and what stands in for those behind, in a relaxation.

    Attributes:
        uses: uses to state.
        stand_ins: pieces for cells.
        fillers: goods values for vendors with thresholds.
        loose: offers stated that are behind stand-ins.
        cell_of, filler_of: by use, the stand-in and the filler that take its place; -1 for none.
    """

    uses: Flags
    stand_ins: Relaxation
    fillers: Fillers
    loose: Flags
    cell_of: Ints
    filler_of: Ints


def front_of(compiled: Compiled, uses: Flags, cells: Cells, depth: Floats) -> Front:
    """Leave out uses that cost at least as much as a stand-in, which is there in any quantity.

    A cell's stand-in costs as much as the cheapest use dearer than those that could fill it ``depth`` times. What a plan buys
    behind it the stand-in supplies for no more, so that the problem becomes a relaxation: its optimum is a lower bound. To
    thresholds such a purchase also counts by its value; that value comes from a filler, at the least that the purchase costs
    above the stand-in. Vendors whose charges by size may fall when more is bought keep all their uses, and listings with price
    steps go only with all their uses, and only from vendors without thresholds.
    """
    is_behind, price, has_stand_in = _behind(compiled, uses, cells, depth)
    in_front = np.zeros(len(compiled.offer_row), np.bool_)
    in_front[compiled.use_offer[uses & ~is_behind]] = True
    rises = [
        charges_rise(terms.weight_steps) and charges_rise(terms.dimension_steps) for terms in compiled.vendors.bands
    ]
    can_drop = np.array(rises, np.bool_)[compiled.offer_vendor] & ~(compiled.is_stepped & in_front)
    # What a piece counts for a threshold depends on how many are bought: no filler says it.
    can_drop &= ~(compiled.is_stepped & ~compiled.vendors.is_rising[compiled.offer_vendor])
    has_goods_row = np.array([not terms.is_one_band for terms in compiled.vendors.bands], np.bool_)
    useful = np.zeros(len(uses), np.bool_)
    useful[cells.use] = cells.floor * NEAR < price[cells.cell]
    useful &= ~compiled.vendors.is_rising[compiled.offer_vendor[compiled.use_offer]]
    dropped = is_behind & can_drop[compiled.use_offer] & ~useful
    loose = ~in_front & has_goods_row[compiled.offer_vendor]
    stand_ins = Relaxation(cells.portion[has_stand_in], cells.colour[has_stand_in], price[has_stand_in])
    cell_of = np.full(len(uses), -1)
    cell_of[cells.use] = np.where(dropped[cells.use], (np.cumsum(has_stand_in) - 1)[cells.cell], -1)
    fillers, filler_of = _fillers(compiled, dropped, cell_of, stand_ins)
    return Front(uses & ~dropped, stand_ins, fillers, loose, cell_of, filler_of)


def _behind(compiled: Compiled, uses: Flags, cells: Cells, depth: Floats) -> tuple[Flags, Floats, Flags]:
    """Uses behind a stand-in, the stand-ins' prices by cell, and which cells have one."""
    is_behind = np.zeros(len(uses), np.bool_)
    price, has_stand_in = np.full(len(cells.portion), np.inf), np.zeros(len(cells.portion), np.bool_)
    if not len(cells.use):
        return is_behind, price, has_stand_in
    supply = supply_of(compiled)  # several orders bring no more
    share = np.minimum(supply[compiled.use_offer[cells.use]], compiled.need[compiled.use_portion[cells.use]])
    reached = np.cumsum(share)
    before = np.append(0, reached)[cells.start[:-1]]
    position = np.searchsorted(reached, before + depth * compiled.need[cells.portion], side="left")
    enough = position < cells.start[1:]
    last_price = np.full(len(cells.portion), np.inf)
    last_price[enough] = cells.floor[position[enough]]
    in_reach = np.add.reduceat(cells.floor <= last_price[cells.cell], cells.start[:-1], dtype=np.int64)
    first_behind = cells.start[:-1] + in_reach
    has_stand_in = first_behind < cells.start[1:]
    price[has_stand_in] = cells.floor[first_behind[has_stand_in]]
    is_behind[cells.use] = cells.floor > last_price[cells.cell]
    return is_behind, price, has_stand_in


def _fillers(compiled: Compiled, dropped: Flags, cell_of: Ints, stand_ins: Relaxation) -> tuple[Fillers, Ints]:
    """Fillers by vendor, assortment and what the uses left out cost above their stand-ins, in a few classes."""
    filler_of = np.full(len(dropped), -1)
    left_out = np.flatnonzero(dropped & ~compiled.vendors.is_rising[compiled.offer_vendor[compiled.use_offer]])
    offer = compiled.use_offer[left_out]
    vendor = compiled.offer_vendor[offer]
    value = compiled.offer_highest_price[offer] * compiled.offer_spread[offer]
    credit = stand_ins.price[cell_of[left_out]] / value
    excess = np.floor((1 - credit / compiled.vendors.floor[vendor]) * FILLER_CLASSES).astype(np.int64)
    place = np.stack([vendor, compiled.offer_assortment[offer], excess], axis=1)
    places, first, place_of = np.unique(place, axis=0, return_index=True, return_inverse=True)
    pieces = np.minimum(compiled.offer_most[offer], compiled.use_want[left_out])
    most = np.bincount(place_of.ravel(), value * pieces, len(places)).astype(np.float64)
    best_credit = np.zeros(len(places))
    np.maximum.at(best_credit, place_of.ravel(), credit)
    filler_of[left_out] = place_of.ravel()
    return Fillers(offer[first], most, best_credit), filler_of
