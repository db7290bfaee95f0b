"""What need not be looked at: dominated uses, expensive uses behind a stand-in price, and the pieces nobody can sell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.costing.planner.compiled import Compiled, Flags, Floats, Ints
from pipelines.costing.planner.draft import Relaxation
from pipelines.costing.planner.mip_rules import charges_rise


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
    direct = np.flatnonzero(uses & (compiled.use_makeup < 0))
    portion = compiled.use_portion[direct]
    colour = np.where(compiled.group[portion] >= 0, compiled.use_colour[direct], 0)
    key = portion * (compiled.use_colour.max(initial=0) + 1) + colour
    floor = compiled.offer_floor[compiled.use_offer[direct]]
    order = np.lexsort((direct, floor, key))
    _, start, cell = np.unique(key[order], return_index=True, return_inverse=True)
    first = order[start]
    return Cells(direct[order], cell, np.append(start, len(order)), portion[first], colour[first], floor[order])


def undominated(compiled: Compiled) -> Flags:
    """Uses that no other use of the same vendor makes needless.

    A use is needless if the same vendor has a listing for the same cell that is no dearer and holds all that portions could
    want of it: any plan can take its pieces there instead. Only where the choice of the listing changes nothing else: vendors
    without goods thresholds, sizes or limits on elements, and listings without multiples or price steps.
    """
    vendors = compiled.vendors
    indifferent = vendors.is_plain & np.array(
        [
            not terms.weight_steps and not terms.dimension_steps and terms.maximum_element_count is None
            for terms in vendors.bands
        ],
        np.bool_,
    )
    keep = np.ones(len(compiled.use_offer), np.bool_)
    offer = compiled.use_offer
    comparable = (compiled.use_makeup < 0) & ~compiled.is_counted[offer] & indifferent[compiled.offer_vendor[offer]]
    cells = cells_of(compiled, comparable)
    if not len(cells.use):
        return keep
    offer = offer[cells.use]
    place = np.stack([cells.cell, compiled.offer_vendor[offer], compiled.offer_assortment[offer]])
    order = np.lexsort((cells.use, cells.floor, *place[::-1]))
    sufficient = (compiled.offer_most >= compiled.offer_want)[offer[order]].astype(np.int64)
    changes = np.append(True, (np.diff(place[:, order], axis=1) != 0).any(axis=0))
    before = np.cumsum(sufficient) - sufficient
    keep[cells.use[order[before > before[changes][np.cumsum(changes) - 1]]]] = False
    return keep


def behind_stand_ins(compiled: Compiled, uses: Flags, cells: Cells, depth: Floats) -> tuple[Flags, Relaxation]:
    """Leave out uses that cost at least as much as a stand-in, which is there in any quantity.

    A cell's stand-in costs as much as the cheapest use dearer than those that could fill it ``depth`` times. Whatever a plan
    buys behind the stand-in's price the stand-in supplies for no more, so that the problem becomes a relaxation: its optimum is a
    lower bound, and the optimum of the problem as soon as it uses no stand-in. That needs vendors for whom buying less
    never costs more; and a listing bought in multiples or steps is left out only with all its uses.
    """
    share = np.minimum(
        compiled.offer_most[compiled.use_offer[cells.use]], compiled.need[compiled.use_portion[cells.use]]
    )
    reached = np.cumsum(share)
    before = np.append(0, reached)[cells.start[:-1]]
    wanted = before + depth * compiled.need[cells.portion]
    position = np.searchsorted(reached, wanted, side="left")
    enough = position < cells.start[1:]
    last_price = np.full(len(cells.portion), np.inf)
    last_price[enough] = cells.floor[position[enough]]
    in_reach = np.add.reduceat(cells.floor <= last_price[cells.cell], cells.start[:-1], dtype=np.int64)
    first_behind = cells.start[:-1] + in_reach
    has_stand_in = first_behind < cells.start[1:]
    behind = np.zeros(len(uses), np.bool_)
    behind[cells.use] = cells.floor > last_price[cells.cell]
    behind &= _may_buy_less(compiled)[compiled.offer_vendor[compiled.use_offer]]
    in_front = uses & ~behind
    is_needed = np.zeros(len(compiled.offer_row), np.bool_)
    is_needed[compiled.use_offer[in_front]] = True
    behind &= ~(compiled.is_counted & is_needed)[compiled.use_offer]
    price = cells.floor[first_behind[has_stand_in]]
    return uses & ~behind, Relaxation(cells.portion[has_stand_in], cells.colour[has_stand_in], price)


def _may_buy_less(compiled: Compiled) -> Flags:
    return compiled.vendors.is_plain & np.array(
        [charges_rise(terms.weight_steps) and charges_rise(terms.dimension_steps) for terms in compiled.vendors.bands],
        np.bool_,
    )


def least_unfilled(compiled: Compiled) -> int:
    """A number of pieces that every plan leaves unfilled, from stock alone.

    Portions of a colour group count together, each with the stock of one colour as if it were theirs alone; portions that can
    be made up count as filled as far as any component reaches; the others share their stock (a maximum flow).
    """
    need, group = compiled.need, compiled.group
    makeups = _makeup_supply(compiled)
    direct = compiled.use_makeup < 0
    portion, colour = compiled.use_portion[direct], compiled.use_colour[direct]
    most = compiled.offer_most[compiled.use_offer[direct]]
    missing = 0
    for number in np.unique(group[group >= 0]):
        members = np.flatnonzero(group == number)
        inside = group[portion] == number
        colours = np.unique(
            np.concatenate([colour[inside], compiled.makeup_colour[group[compiled.makeup_portion] == number]])
        )
        short = [
            np.maximum(need[members] - _supply(compiled, members, portion, colour, most, makeups, c), 0).sum()
            for c in colours
        ]
        missing += min(short, default=need[members].sum())
    supply = np.bincount(compiled.makeup_portion, makeups, len(need)).astype(np.int64)
    rest = np.where(group >= 0, 0, np.maximum(need - supply, 0))
    return int(missing) + _unfilled_by_flow(rest, portion, compiled.use_offer[direct], compiled.offer_most)


def _supply(
    compiled: Compiled, members: Ints, portion: Ints, colour: Ints, most: Ints, makeups: Ints, wanted: int
) -> Ints:
    direct = np.bincount(portion[colour == wanted], most[colour == wanted], len(compiled.need))
    made = compiled.makeup_colour == wanted
    made_up = np.bincount(compiled.makeup_portion[made], makeups[made], len(compiled.need))
    return (direct + made_up)[members].astype(np.int64)


def _makeup_supply(compiled: Compiled) -> Ints:
    """How often each make-up could be made if it had its components' stock for itself."""
    made_up = compiled.use_component >= 0
    stock = np.bincount(
        compiled.use_component[made_up],
        compiled.offer_most[compiled.use_offer[made_up]],
        len(compiled.component_makeup),
    ).astype(np.int64)
    supply = np.full(len(compiled.makeup_portion), np.iinfo(np.int64).max)
    np.minimum.at(supply, compiled.component_makeup, stock // np.maximum(compiled.component_count, 1))
    return np.minimum(supply, compiled.need[compiled.makeup_portion])


def _unfilled_by_flow(need: Ints, portion: Ints, offer: Ints, stock: Ints) -> int:
    """Need that a maximum flow from offers to portions leaves."""
    wanted = need[portion] > 0
    portion, offer = portion[wanted], offer[wanted]
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
    first: int, wanted: int, takes: dict[int, list[int]], flow: dict[tuple[int, int], int], stock_left: Ints
) -> int:
    """Fill one portion along augmenting paths, moving other portions to other offers where that helps."""
    filled = 0
    holders: dict[int, set[int]] = {}
    for j, o in flow:
        holders.setdefault(o, set()).add(j)
    while filled < wanted:
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
        amount = min(wanted - filled, int(stock_left[end]))
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
