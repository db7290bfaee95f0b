"""What need not be looked at: dominated uses, expensive uses behind a stand-in price, and the pieces nobody can sell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.program.columns import Fillers, Relaxation
from pipelines.planner.program.rule_rows import charges_rise
from pipelines.planner.statement.compiled import Compiled, Flags, Floats
from pipelines.planner.statement.integer_codes import MICRO, Ints
from pipelines.planner.statement.shared_stock import supply_of

FILLER_CLASSES = 8
NEAR = 0.75


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


def least_unfilled(compiled: Compiled) -> int:
    """A number of pieces that every plan leaves unfilled, from stock alone.

    Portions of a colour group count together, each with the stock of one colour as if it were theirs alone; portions that can
    be made up count as filled as far as any component reaches; the others share their stock (a maximum flow).
    """
    need, group = compiled.need, compiled.group
    stock = supply_of(compiled)
    combinations = _combination_supply(compiled, stock)
    direct = compiled.use_combination < 0
    portion, colour = compiled.use_portion[direct], compiled.use_colour[direct]
    most = stock[compiled.use_offer[direct]]
    missing = 0
    for number in np.unique(group[group >= 0]):
        members = np.flatnonzero(group == number)
        inside = group[portion] == number
        colours = np.unique(
            np.concatenate([colour[inside], compiled.combination_colour[group[compiled.combination_portion] == number]])
        )
        short = [
            np.maximum(need[members] - _supply(compiled, members, portion, colour, most, combinations, c), 0).sum()
            for c in colours
        ]
        missing += min(short, default=need[members].sum())
    supply = np.bincount(compiled.combination_portion, combinations, len(need)).astype(np.int64)
    rest = np.where(group >= 0, 0, np.maximum(need - supply, 0))
    return int(missing) + _unfilled_by_flow(rest, portion, compiled.use_offer[direct], stock)


def _supply(
    compiled: Compiled, members: Ints, portion: Ints, colour: Ints, most: Ints, combinations: Ints, needed: int
) -> Ints:
    direct = np.bincount(portion[colour == needed], most[colour == needed], len(compiled.need))
    made = compiled.combination_colour == needed
    made_up = np.bincount(compiled.combination_portion[made], combinations[made], len(compiled.need))
    return (direct + made_up)[members].astype(np.int64)


def _combination_supply(compiled: Compiled, most: Ints) -> Ints:
    """How often each combination could be made if it had its components' stock for itself."""
    made_up = compiled.use_component >= 0
    stock = np.bincount(
        compiled.use_component[made_up],
        most[compiled.use_offer[made_up]],
        len(compiled.component_combination),
    ).astype(np.int64)
    supply = np.full(len(compiled.combination_portion), np.iinfo(np.int64).max)
    np.minimum.at(supply, compiled.component_combination, stock // np.maximum(compiled.component_count, 1))
    found: Ints = np.minimum(supply, compiled.need[compiled.combination_portion])
    return found


def _unfilled_by_flow(need: Ints, portion: Ints, offer: Ints, stock: Ints) -> int:
    """Need that a maximum flow from offers to portions leaves."""
    needed = need[portion] > 0
    portion, offer = portion[needed], offer[needed]
    alone = np.bincount(offer, minlength=len(stock))[offer] == 1
    supply = np.bincount(portion[alone], stock[offer[alone]], len(need)).astype(np.int64)
    left = np.maximum(need - supply, 0)
    shared = ~alone & (left[portion] > 0)
    stock_left = stock.copy()
    takes: dict[int, list[int]] = {}
    for j, o in zip(portion[shared].tolist(), offer[shared].tolist(), strict=True):
        takes.setdefault(j, []).append(o)
    flow: dict[tuple[int, int], int] = {}
    missing = int(left.sum())
    for j in takes:
        missing -= _augment(j, int(left[j]), takes, flow, stock_left)
    return missing


def _augment(
    first: int, needed: int, takes: dict[int, list[int]], flow: dict[tuple[int, int], int], stock_left: Ints
) -> int:
    """Fill one portion along augmenting paths, moving other portions to other offers where that helps."""
    filled = 0
    holders: dict[int, set[int]] = {}
    for j, o in flow:
        holders.setdefault(o, set()).add(j)
    while filled < needed:
        came_from: dict[tuple[str, int], tuple[str, int]] = {}
        queue: list[tuple[str, int]] = [("portion", first)]
        end = None
        for kind, number in queue:
            if kind == "portion":
                fresh = [("offer", o) for o in takes.get(number, []) if ("offer", o) not in came_from]
            else:
                if stock_left[number] > 0:
                    end = number
                    break
                fresh = [
                    ("portion", j)
                    for j in sorted(holders.get(number, ()))
                    if flow.get((j, number), 0) and j != first and ("portion", j) not in came_from
                ]
            for node in fresh:
                came_from[node] = (kind, number)
            queue += fresh
        if end is None:
            break
        path = [("offer", end)]
        while path[-1] != ("portion", first):
            path.append(came_from[path[-1]])
        amount = min(needed - filled, int(stock_left[end]))
        for (kind, number), (_, other) in zip(path[1:], path[2:], strict=False):
            if kind == "portion":
                amount = min(amount, flow[number, other])
        stock_left[end] -= amount
        for (kind, number), (_, other) in zip(path, path[1:], strict=False):
            edge = (other, number) if kind == "offer" else (number, other)
            flow[edge] = flow.get(edge, 0) + (amount if kind == "offer" else -amount)
            holders.setdefault(edge[1], set()).add(edge[0])
        filled += amount
    return filled
