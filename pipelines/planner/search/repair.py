"""From a set of vendors, or a relaxation's fractions, to a plan in whole pieces that keeps every rule.

1. Pieces are taken at the floor of the fractions, and the rest of each portion from its cheapest uses.
2. Orders with more pieces or elements than their vendor allows give some back.
3. Pieces move between the uses of a portion while that lowers the cost, multiples, price steps and bands included.
4. Spares lift orders to the bands they were costed in.

Costs are floats here. The exact cost, and whether any rule is broken, come from the landed cost at the end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipelines.planner.plans.whole_plan import WholePlan, checked
from pipelines.planner.search.order_costs import OrderCosts
from pipelines.planner.search.vendor_sets import SearchedUses, bought_for, fill, searched_uses, step_of, worth_of
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem import Problem
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.quantities import just_below
from pipelines.planner.statement.shared_stock import stock_left
from pipelines.planner.statement.tolerances import IMPROVES

ALTERNATIVES = 12
"""Pieces of a portion may move to so many uses: the cheapest."""

ROUNDS = 60


def constructed(
    problem: Problem,
    arrays: ProblemArrays,
    uses: Flags,
    vendors: Flags,
    pieces: Floats | None = None,
    factor: Floats | None = None,
) -> WholePlan | None:
    """A plan that uses some vendors; None if it breaks a rule.

    Args:
        problem, arrays: the problem.
        uses: uses to consider.
        vendors: vendors to buy from.
        pieces: by use, as in a relaxation, to start from; fractions are rounded down.
        factor: what one more unit of goods costs, by vendor.
    """
    open_uses = uses & vendors[arrays.offer_vendor[arrays.use_offer]]
    searched = searched_uses(arrays, open_uses, factor=factor)
    taken = np.zeros(len(searched.use)) if pieces is None else np.floor(pieces[searched.use] + 1e-6)
    taken = _within_limits(searched, _filled_up(searched, taken, vendors), vendors)
    taken = _within_limits(searched, _with_forced(searched, _moved(searched, taken)), vendors)
    taken = _within_stock(searched, taken)
    used = np.zeros(len(arrays.use_offer), np.int64)
    used[searched.use] = np.rint(taken).astype(np.int64)
    by_offer = np.bincount(arrays.use_offer, used, len(arrays.offer_row))
    bought = _topped_up(arrays, searched.costs, bought_for(arrays, np.arange(len(by_offer)), by_offer))
    filled = np.bincount(arrays.use_portion, used, len(arrays.need)).astype(np.int64)
    plan = WholePlan(
        _by_step(arrays, bought), used, arrays.need - filled, np.zeros(len(arrays.combination_portion), np.int64)
    )
    return checked(problem, arrays, plan)


def _with_forced(searched: SearchedUses, taken: Floats) -> Floats:
    """One piece from every forced vendor that has none in use, in the place of a piece where that adds least."""
    arrays = searched.arrays
    offer, portion = searched.offers[searched.offer], arrays.use_portion[searched.use]
    vendor, price = arrays.offer_vendor[offer], arrays.offer_floor[offer]
    for number in np.flatnonzero(arrays.vendors.is_forced):
        pieces = np.bincount(vendor, taken, len(arrays.vendors))
        if pieces[number]:
            continue
        can_give = (taken > 0) & ~(arrays.vendors.is_forced & (pieces <= 1))[vendor]
        pairs = [
            (price[to] - (price[away].max() if len(away) else searched.costs.broken), to, away)
            for to in np.flatnonzero((vendor == number) & (_left(searched, _used(searched, taken)) > 0)[searched.offer])
            for away in [np.flatnonzero(can_give & (portion == portion[to]))]
            if len(away) or taken[portion == portion[to]].sum() < arrays.need[portion[to]]
        ]
        if pairs:
            _, to, away = min(pairs, key=lambda pair: (pair[0], pair[1]))
            taken = taken.copy()
            taken[to] += 1
            if len(away):
                taken[away[np.argmax(price[away])]] -= 1
    return taken


def _filled_up(searched: SearchedUses, taken: Floats, vendors: Flags) -> Floats:
    """Take what is still missing from the cheapest uses with stock left."""
    arrays = searched.arrays
    portion = arrays.use_portion[searched.use]
    for _ in range(len(arrays.vendors) + 1):  # giving back and taking anew may go round in a circle
        rest = replace(
            searched,
            arrays=replace(arrays, need=arrays.need - np.bincount(portion, taken, len(arrays.need)).astype(np.int64)),
            offer_most=_left(searched, _used(searched, taken)),
        )
        filled: Floats = taken + fill(rest, vendors[None])[0][0]
        if arrays.sharing is None:
            return filled
        # Each of several orders took from the whole shared stock: what they give back is taken elsewhere.
        before, taken = taken.sum(), _within_stock(searched, filled)
        if taken.sum() in (before, filled.sum()):
            break
    return taken


def _within_stock(searched: SearchedUses, taken: Floats) -> Floats:
    """Keep orders with one vendor within the stock they share; later ones give back what is beyond it."""
    arrays = searched.arrays
    if arrays.sharing is None:
        return taken
    taken, used = taken.copy(), _used(searched, taken)
    for place in np.flatnonzero((used > 0) & (_beyond_stock(searched, used) > 0))[::-1]:
        offer, beyond = searched.offers[place], _beyond_stock(searched, used)[place]
        if beyond <= 0:
            continue
        multiple, least = arrays.offer_multiple[offer], arrays.step_least[arrays.step_start[offer]]
        room = (bought_for(arrays, searched.offers[[place]], used[[place]])[0] - beyond) // multiple * multiple
        back = used[place] - (room if room >= least else 0.0)
        for use in np.flatnonzero((searched.offer == place) & (taken > 0))[::-1]:
            pieces = min(taken[use], back)
            taken[use] -= pieces
            used[place] -= pieces
            back -= pieces
    return taken


def _beyond_stock(searched: SearchedUses, used: Floats) -> Floats:
    """How many pieces more than there are all orders together buy of each offer's listing."""
    return -stock_left(searched.arrays, searched.offers, bought_for(searched.arrays, searched.offers, used))


def _within_limits(searched: SearchedUses, taken: Floats, vendors: Flags) -> Floats:
    """Keep orders within their vendors' limits on elements and pieces."""
    return _within_piece_limits(searched, _within_element_limits(searched, taken, vendors), vendors)


def _within_element_limits(searched: SearchedUses, taken: Floats, vendors: Flags) -> Floats:
    """Orders with too many elements give back those that are least dearer elsewhere; vendors still open fill in."""
    arrays, still_open = searched.arrays, vendors.copy()
    limits = {
        number: terms.maximum_element_count
        for number, terms in enumerate(arrays.vendors.bands)
        if terms.maximum_element_count is not None
    }
    vendor = arrays.offer_vendor[searched.offers[searched.offer]]
    element = arrays.offer_element[searched.offers[searched.offer]]
    while True:
        counts = {number: len(np.unique(element[(vendor == number) & (taken > 0)])) for number in limits}
        full = [number for number, limit in limits.items() if still_open[number] and counts[number] > limit]
        if not full:
            return taken
        still_open[full] = False
        taken, more = taken.copy(), _regret(searched, taken, still_open) * taken
        for number in full:
            mine = np.flatnonzero((vendor == number) & (taken > 0))
            elements, which = np.unique(element[mine], return_inverse=True)
            given_back = np.argsort(np.bincount(which, more[mine]), kind="stable")[: len(elements) - limits[number]]
            taken[mine[np.isin(which, given_back)]] = 0.0
        taken = _filled_up(searched, taken, still_open)


def _within_piece_limits(searched: SearchedUses, taken: Floats, vendors: Flags) -> Floats:
    """Orders with too many pieces give back what is least dearer elsewhere; vendors still open fill in."""
    arrays, still_open = searched.arrays, vendors.copy()
    while (beyond := still_open & (_room(searched, _used(searched, taken)) < 0)).any():
        still_open &= ~beyond
        taken, used = taken.copy(), _used(searched, taken)
        room = _room(searched, used)
        for use in _by_regret(searched, taken, beyond, still_open):
            place = searched.offer[use]
            offer = searched.offers[[place]]
            number, multiple = arrays.offer_vendor[offer[0]], arrays.offer_multiple[offer[0]]
            if room[number] < 0:
                pieces = min(taken[use], math.ceil(-room[number] / multiple) * multiple)
                bought = bought_for(arrays, offer, used[[place]])[0]
                taken[use] -= pieces
                used[place] -= pieces
                room[number] += bought - bought_for(arrays, offer, used[[place]])[0]
        taken = _filled_up(searched, taken, still_open)
    return taken


def _by_regret(searched: SearchedUses, taken: Floats, beyond: Flags, still_open: Flags) -> Ints:
    """Uses of vendors beyond their limit, by how much more a piece costs at the vendors still open."""
    vendor = searched.arrays.offer_vendor[searched.offers[searched.offer]]
    mine = np.flatnonzero(beyond[vendor] & (taken > 0))
    return mine[np.lexsort((mine, _regret(searched, taken, still_open)[mine]))]


def _regret(searched: SearchedUses, taken: Floats, still_open: Flags) -> Floats:
    """How much more a piece costs at the vendors still open, by use; very much where they have none left."""
    arrays = searched.arrays
    offer, portion = searched.offers[searched.offer], arrays.use_portion[searched.use]
    vendor, price = arrays.offer_vendor[offer], arrays.offer_floor[offer]
    has_more = still_open[vendor] & (_left(searched, _used(searched, taken)) > 0)[searched.offer]
    elsewhere = np.full(len(arrays.need), searched.costs.broken)
    np.minimum.at(elsewhere, portion[has_more], price[has_more])
    return elsewhere[portion] - price


def _used(searched: SearchedUses, taken: Floats) -> Floats:
    """Pieces used by offer."""
    return np.bincount(searched.offer, taken, len(searched.offers)).astype(np.float64)


def _left(searched: SearchedUses, used: Floats) -> Floats:
    """How many more pieces of every offer can be used."""
    left = searched.offer_most - used
    if searched.arrays.sharing is None:
        return left
    bought = bought_for(searched.arrays, searched.offers, used)
    return np.clip(stock_left(searched.arrays, searched.offers, bought) + bought - used, 0.0, left)


def _room(searched: SearchedUses, used: Floats) -> Floats:
    """How many more pieces orders can have, by vendor; negative beyond the vendor's limit."""
    arrays = searched.arrays
    bought = bought_for(arrays, searched.offers, used)
    return _piece_limits(arrays) - np.bincount(arrays.offer_vendor[searched.offers], bought, len(arrays.vendors))


def _piece_limits(arrays: ProblemArrays) -> Floats:
    most = [terms.maximum_piece_count for terms in arrays.vendors.bands]
    return np.array([np.inf if count is None else count for count in most], np.float64)


@dataclass
class _State:
    """Where a plan stands: pieces used and their goods value by offer, goods value and cost by vendor, subtotals of assortments."""

    used: Floats
    worth: Floats
    goods: Floats
    cost: Floats
    subtotals: Floats


def _moved(searched: SearchedUses, taken: Floats) -> Floats:
    """Move pieces between the uses of a portion while that lowers the cost."""
    arrays, costs = searched.arrays, searched.costs
    portion = arrays.use_portion[searched.use]
    rank = np.arange(len(portion)) - _first_of(portion)
    choices = np.full((len(arrays.need), ALTERNATIVES), -1)
    seller = arrays.offer_vendor if arrays.sharing is None else arrays.sharing.family[arrays.offer_vendor]
    near = rank < ALTERNATIVES
    choices[portion[near], rank[near]] = np.flatnonzero(near)
    for _ in range(ROUNDS):
        state = _state_of(searched, taken)
        source = np.repeat(np.flatnonzero(taken > 0), ALTERNATIVES)
        target = choices[portion[np.flatnonzero(taken > 0)]].ravel()
        sensible = (target >= 0) & (target != source)
        source, target = source[sensible], target[sensible]
        source, target, pieces = _amounts(searched, taken, state, source, target)
        change = _change(searched, costs, state, searched.offer[source], searched.offer[target], pieces)
        order = np.argsort(change, kind="stable")
        touched: set[int] = set()
        for index in order[change[order] < -IMPROVES][:200]:
            ends = {int(seller[searched.offers[searched.offer[use]]]) for use in (source[index], target[index])}
            if not ends & touched:
                touched |= ends
                taken[source[index]] -= pieces[index]
                taken[target[index]] += pieces[index]
        if not touched:
            break
    return taken


def _amounts(
    searched: SearchedUses, taken: Floats, state: _State, source: Ints, target: Ints
) -> tuple[Ints, Ints, Floats]:
    """Amounts to try: all pieces; those beyond the source's multiples; those that the target's multiples leave unused."""
    arrays, offers = searched.arrays, searched.offers
    here, there = searched.offer[source], searched.offer[target]
    left = np.where(here == there, 0.0, _left(searched, state.used)[there])
    seller, buyer = (arrays.offer_vendor[offers[ends]] for ends in (here, there))
    left = np.where(seller == buyer, left, np.minimum(left, np.maximum(_room(searched, state.used)[buyer], 0.0)))
    most = np.minimum(taken[source], left)
    beyond = np.mod(state.used[here], arrays.offer_multiple[offers[here]])
    unused = bought_for(arrays, offers[there], state.used[there]) - state.used[there]
    amounts = [most, np.minimum(most, beyond), np.minimum(most, unused)]
    different = [amounts[0] > 0, (amounts[1] > 0) & (amounts[1] < most), (amounts[2] > 0) & (amounts[2] < most)]
    return (
        np.concatenate([source[keep] for keep in different]),
        np.concatenate([target[keep] for keep in different]),
        np.concatenate([amount[keep] for amount, keep in zip(amounts, different, strict=True)]),
    )


def _first_of(portion: Ints) -> Ints:
    """Position of the first use of every use's portion; portions are contiguous."""
    changes = np.append(True, np.diff(portion) != 0)
    found: Ints = np.flatnonzero(changes)[np.cumsum(changes) - 1]
    return found


def _state_of(searched: SearchedUses, taken: Floats) -> _State:
    arrays = searched.arrays
    used = _used(searched, taken)
    worth = _worth(searched, np.arange(len(used)), used)
    assortment = arrays.offer_assortment[searched.offers]
    inside = assortment >= 0
    goods = np.bincount(arrays.offer_vendor[searched.offers], worth, len(arrays.vendors)).astype(np.float64)
    return _State(
        used,
        worth,
        goods,
        searched.costs.of_goods(goods),
        np.bincount(assortment[inside], worth[inside], len(arrays.handling_charge)).astype(np.float64),
    )


def _worth(searched: SearchedUses, places: Ints, used: Floats) -> Floats:
    """Goods values of the smallest purchases that cover the pieces used of some offers."""
    offers = searched.offers[places]
    return worth_of(searched.arrays, offers, bought_for(searched.arrays, offers, used))


def _change(
    searched: SearchedUses, costs: OrderCosts, state: _State, source: Ints, target: Ints, pieces: Floats
) -> Floats:
    """How much the cost changes when pieces move from one offer to another."""
    arrays = searched.arrays
    less = _worth(searched, source, state.used[source] - pieces) - state.worth[source]
    more = _worth(searched, target, state.used[target] + pieces) - state.worth[target]
    here, there = (arrays.offer_vendor[searched.offers[ends]] for ends in (source, target))
    same = here == there

    def goods_change(vendor: Ints, change: Floats) -> Floats:
        return costs.of_goods(np.maximum(state.goods[vendor] + change, 0.0), vendor) - state.cost[vendor]

    change = goods_change(here, less + np.where(same, more, 0.0))
    change += np.where(same, 0.0, goods_change(there, more))
    for ends, moved in ((source, less), (target, more)):
        charge = arrays.offer_assortment[searched.offers[ends]]
        inside = np.flatnonzero(charge >= 0)
        now = state.subtotals[charge[inside]]
        after = np.maximum(now + moved[inside], 0.0)
        change[inside] += costs.of_assortments(after, charge[inside]) - costs.of_assortments(now, charge[inside])
    return change


def _topped_up(arrays: ProblemArrays, costs: OrderCosts, bought: Floats) -> Ints:
    """Buy spares so that orders reach the band in which they cost least."""
    pieces = np.rint(bought).astype(np.int64)
    if not arrays.allow_spares:
        return pieces
    step = step_of(arrays, np.arange(len(pieces)), pieces)
    price = arrays.step_price[step]
    base = np.where(pieces > 0, arrays.step_base[step], 0.0)
    for number in np.flatnonzero(~arrays.vendors.is_rising).tolist():
        mine = np.flatnonzero(arrays.offer_vendor == number)
        if pieces[mine].any():
            goods = float(pieces[mine] @ price[mine] + base[mine].sum())
            start = arrays.vendors.bands[number].bands[costs.cheapest_band(goods, number)].start
            lacking = just_below(start, arrays.vendors.grain[number]) - goods if start else 0.0
            left = np.minimum(arrays.offer_most - pieces, stock_left(arrays, np.arange(len(pieces)), pieces))[mine]
            spares = _spares(arrays, mine, pieces[mine], price[mine], lacking, left)
            if pieces[mine].sum() + spares.sum() <= _piece_limits(arrays)[number]:
                pieces[mine] += spares
    return pieces


def _spares(arrays: ProblemArrays, offers: Ints, pieces: Ints, price: Floats, lacking: float, left: Floats) -> Ints:
    """Few spares worth at least what is lacking, and little more: dear pieces first, a cheap one last."""
    multiple = arrays.offer_multiple[offers]
    simple = ~arrays.is_stepped[offers] & ((pieces > 0) | (arrays.step_least[arrays.step_start[offers]] == multiple))
    room = np.where(simple, left // multiple, 0)
    unit = multiple * price
    spares = np.zeros(len(offers), np.int64)
    for place in np.lexsort((offers, -unit)):
        count = max(0, int(min(room[place], lacking // unit[place])))
        spares[place] += count * multiple[place]
        room[place] -= count
        lacking -= count * unit[place]
    for place in np.lexsort((offers, unit)):
        if lacking > 0 and room[place] > 0:
            spares[place] += multiple[place]
            lacking -= unit[place]
    return spares


def _by_step(arrays: ProblemArrays, pieces: Ints) -> Ints:
    """Quantities by price step."""
    by_step = np.zeros(len(arrays.step_offer), np.int64)
    bought = np.flatnonzero(pieces > 0)
    by_step[step_of(arrays, bought, pieces[bought])] = pieces[bought]
    return by_step
