"""From vendors, or a relaxation's fractions, to a plan in whole pieces that keeps every rule.

Pieces are taken at the floor of the fractions, the rest of each portion from its cheapest uses; then pieces move between the
uses of a portion as long as that lowers the cost, multiples, price steps and bands included; last, spares lift orders to the
bands they were costed in. Orders beyond their vendor's most pieces or elements give some back. The plan is only as good as these steps; its cost and its soundness are the landed cost's to decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pipelines.planner.plans.whole_plan import WholePlan, checked
from pipelines.planner.search.order_costs import BROKEN, Costs
from pipelines.planner.search.vendor_sets import SearchSpace, bought_for, fill, ground_of, step_of, worth_of
from pipelines.planner.statement.columns_as_arrays import MICRO, Flags, Floats, Ints
from pipelines.planner.statement.problem import Problem
from pipelines.planner.statement.problem_arrays import Compiled
from pipelines.planner.statement.shared_stock import free_for

ALTERNATIVES = 12
"""Uses of a portion that pieces may move to: its cheapest."""

ROUNDS = 60


def constructed(
    problem: Problem,
    compiled: Compiled,
    uses: Flags,
    vendors: Flags,
    shares: Floats | None = None,
    factor: Floats | None = None,
) -> WholePlan | None:
    """A plan that uses some vendors; None if it breaks a rule.

    Args:
        problem, compiled: the problem.
        uses: uses to consider.
        vendors: vendors to buy from.
        shares: pieces by use in a relaxation, to start from.
    """
    open_uses = uses & vendors[compiled.offer_vendor[compiled.use_offer]]
    ground = ground_of(compiled, open_uses, factor=factor)
    taken = np.zeros(len(ground.use)) if shares is None else np.floor(shares[ground.use] + 1e-6)
    taken = _within_limits(ground, _filled_up(ground, taken, vendors), vendors)
    taken = _within_limits(ground, _with_forced(ground, _moved(ground, taken)), vendors)
    taken = _within_stock(ground, taken)
    used = np.zeros(len(compiled.use_offer), np.int64)
    used[ground.use] = np.rint(taken).astype(np.int64)
    by_offer = np.bincount(compiled.use_offer, used, len(compiled.offer_row))
    bought = _topped_up(compiled, ground.costs, bought_for(compiled, np.arange(len(by_offer)), by_offer))
    filled = np.bincount(compiled.use_portion, used, len(compiled.need)).astype(np.int64)
    plan = WholePlan(
        _by_step(compiled, bought), used, compiled.need - filled, np.zeros(len(compiled.combination_portion), np.int64)
    )
    return checked(problem, compiled, plan)


def _with_forced(ground: SearchSpace, taken: Floats) -> Floats:
    """A piece from every forced vendor that has none in use, in the place of the piece where that costs least more."""
    compiled = ground.compiled
    offer, portion = ground.offers[ground.offer], compiled.use_portion[ground.use]
    vendor, price = compiled.offer_vendor[offer], compiled.offer_floor[offer]
    for number in np.flatnonzero(compiled.vendors.is_forced):
        pieces = np.bincount(vendor, taken, len(compiled.vendors))
        if pieces[number]:
            continue
        can_give = (taken > 0) & ~(compiled.vendors.is_forced & (pieces <= 1))[vendor]
        pairs = [
            (price[to] - (price[away].max() if len(away) else BROKEN), to, away)
            for to in np.flatnonzero((vendor == number) & (_left(ground, _used(ground, taken)) > 0)[ground.offer])
            for away in [np.flatnonzero(can_give & (portion == portion[to]))]
            if len(away) or taken[portion == portion[to]].sum() < compiled.need[portion[to]]
        ]
        if pairs:
            _, to, away = min(pairs, key=lambda pair: (pair[0], pair[1]))
            taken = taken.copy()
            taken[to] += 1
            if len(away):
                taken[away[np.argmax(price[away])]] -= 1
    return taken


def _filled_up(ground: SearchSpace, taken: Floats, vendors: Flags) -> Floats:
    """What is still missing, from the cheapest uses with stock left."""
    compiled = ground.compiled
    portion = compiled.use_portion[ground.use]
    for _ in range(len(compiled.vendors) + 1):  # giving back and taking anew may go round in a circle
        rest = replace(
            ground,
            compiled=replace(
                compiled, need=compiled.need - np.bincount(portion, taken, len(compiled.need)).astype(np.int64)
            ),
            offer_most=_left(ground, _used(ground, taken)),
        )
        filled = taken + fill(rest, vendors[None])[0][0]
        if compiled.sharing is None:
            return filled
        # Orders that share stock have each taken all of it: what they gave back is looked for elsewhere.
        before, taken = taken.sum(), _within_stock(ground, filled)
        if taken.sum() in (before, filled.sum()):
            break
    return taken


def _within_stock(ground: SearchSpace, taken: Floats) -> Floats:
    """Orders with one vendor within the stock they share; later ones give back what is beyond it."""
    compiled = ground.compiled
    if compiled.sharing is None:
        return taken
    taken, used = taken.copy(), _used(ground, taken)
    for place in np.flatnonzero((used > 0) & (_beyond_stock(ground, used) > 0))[::-1]:
        offer, beyond = ground.offers[place], _beyond_stock(ground, used)[place]
        if beyond <= 0:
            continue
        multiple, least = compiled.offer_multiple[offer], compiled.step_least[compiled.step_start[offer]]
        room = (bought_for(compiled, ground.offers[[place]], used[[place]])[0] - beyond) // multiple * multiple
        back = used[place] - (room if room >= least else 0.0)
        for use in np.flatnonzero((ground.offer == place) & (taken > 0))[::-1]:
            pieces = min(taken[use], back)
            taken[use] -= pieces
            used[place] -= pieces
            back -= pieces
    return taken


def _beyond_stock(ground: SearchSpace, used: Floats) -> Floats:
    """Pieces that all orders buy of every offer's listing beyond what there is."""
    return -free_for(ground.compiled, ground.offers, bought_for(ground.compiled, ground.offers, used))


def _within_limits(ground: SearchSpace, taken: Floats, vendors: Flags) -> Floats:
    """Orders within their vendors' most elements and pieces."""
    return _within_piece_limits(ground, _within_element_limits(ground, taken, vendors), vendors)


def _within_element_limits(ground: SearchSpace, taken: Floats, vendors: Flags) -> Floats:
    """Orders of too many elements give back those that cost least more elsewhere; vendors still open fill it in."""
    compiled, still_open = ground.compiled, vendors.copy()
    limits = {
        number: terms.maximum_element_count
        for number, terms in enumerate(compiled.vendors.bands)
        if terms.maximum_element_count is not None
    }
    vendor = compiled.offer_vendor[ground.offers[ground.offer]]
    element = compiled.offer_element[ground.offers[ground.offer]]
    while True:
        counts = {number: len(np.unique(element[(vendor == number) & (taken > 0)])) for number in limits}
        full = [number for number, limit in limits.items() if still_open[number] and counts[number] > limit]
        if not full:
            return taken
        still_open[full] = False
        taken, more = taken.copy(), _regret(ground, taken, still_open) * taken
        for number in full:
            mine = np.flatnonzero((vendor == number) & (taken > 0))
            elements, which = np.unique(element[mine], return_inverse=True)
            given_back = np.argsort(np.bincount(which, more[mine]), kind="stable")[: len(elements) - limits[number]]
            taken[mine[np.isin(which, given_back)]] = 0.0
        taken = _filled_up(ground, taken, still_open)


def _within_piece_limits(ground: SearchSpace, taken: Floats, vendors: Flags) -> Floats:
    """Orders beyond their vendor's most pieces give back what costs least more elsewhere; other vendors fill it in."""
    compiled, still_open = ground.compiled, vendors.copy()
    while (beyond := still_open & (_room(ground, _used(ground, taken)) < 0)).any():
        still_open &= ~beyond
        taken, used = taken.copy(), _used(ground, taken)
        room = _room(ground, used)
        for use in _by_regret(ground, taken, beyond, still_open):
            place = ground.offer[use]
            offer = ground.offers[[place]]
            number, multiple = compiled.offer_vendor[offer[0]], compiled.offer_multiple[offer[0]]
            if room[number] < 0:
                pieces = min(taken[use], math.ceil(-room[number] / multiple) * multiple)
                bought = bought_for(compiled, offer, used[[place]])[0]
                taken[use] -= pieces
                used[place] -= pieces
                room[number] += bought - bought_for(compiled, offer, used[[place]])[0]
        taken = _filled_up(ground, taken, still_open)
    return taken


def _by_regret(ground: SearchSpace, taken: Floats, beyond: Flags, still_open: Flags) -> Ints:
    """Uses of vendors beyond their limit, by what a piece costs more at the vendors still open."""
    vendor = ground.compiled.offer_vendor[ground.offers[ground.offer]]
    mine = np.flatnonzero(beyond[vendor] & (taken > 0))
    return mine[np.lexsort((mine, _regret(ground, taken, still_open)[mine]))]


def _regret(ground: SearchSpace, taken: Floats, still_open: Flags) -> Floats:
    """What a piece costs more at the vendors still open, by use; much where they have none left."""
    compiled = ground.compiled
    offer, portion = ground.offers[ground.offer], compiled.use_portion[ground.use]
    vendor, price = compiled.offer_vendor[offer], compiled.offer_floor[offer]
    has_more = still_open[vendor] & (_left(ground, _used(ground, taken)) > 0)[ground.offer]
    elsewhere = np.full(len(compiled.need), BROKEN)
    np.minimum.at(elsewhere, portion[has_more], price[has_more])
    return elsewhere[portion] - price


def _used(ground: SearchSpace, taken: Floats) -> Floats:
    """Pieces used by offer."""
    return np.bincount(ground.offer, taken, len(ground.offers)).astype(np.float64)


def _left(ground: SearchSpace, used: Floats) -> Floats:
    """Pieces of every offer that can still be used."""
    left = ground.offer_most - used
    if ground.compiled.sharing is None:
        return left
    bought = bought_for(ground.compiled, ground.offers, used)
    return np.clip(free_for(ground.compiled, ground.offers, bought) + bought - used, 0.0, left)


def _room(ground: SearchSpace, used: Floats) -> Floats:
    """Pieces that orders can still grow by, by vendor; negative beyond the vendor's most."""
    compiled = ground.compiled
    bought = bought_for(compiled, ground.offers, used)
    return _piece_limits(compiled) - np.bincount(compiled.offer_vendor[ground.offers], bought, len(compiled.vendors))


def _piece_limits(compiled: Compiled) -> Floats:
    most = [terms.maximum_piece_count for terms in compiled.vendors.bands]
    return np.array([np.inf if count is None else count for count in most], np.float64)


@dataclass
class _State:
    """Pieces used and what they are worth by offer, goods and what orders cost by vendor, subtotals by handling charge."""

    used: Floats
    worth: Floats
    goods: Floats
    cost: Floats
    subtotals: Floats


def _moved(ground: SearchSpace, taken: Floats) -> Floats:
    """Move pieces between the uses of a portion while that lowers the cost."""
    compiled, costs = ground.compiled, ground.costs
    portion = compiled.use_portion[ground.use]
    rank = np.arange(len(portion)) - _first_of(portion)
    choices = np.full((len(compiled.need), ALTERNATIVES), -1)
    seller = compiled.offer_vendor if compiled.sharing is None else compiled.sharing.family[compiled.offer_vendor]
    near = rank < ALTERNATIVES
    choices[portion[near], rank[near]] = np.flatnonzero(near)
    for _ in range(ROUNDS):
        state = _state_of(ground, taken)
        source = np.repeat(np.flatnonzero(taken > 0), ALTERNATIVES)
        target = choices[portion[np.flatnonzero(taken > 0)]].ravel()
        sensible = (target >= 0) & (target != source)
        source, target = source[sensible], target[sensible]
        source, target, pieces = _amounts(ground, taken, state, source, target)
        change = _change(ground, costs, state, ground.offer[source], ground.offer[target], pieces)
        order = np.argsort(change, kind="stable")
        touched: set[int] = set()
        for index in order[change[order] < -1e-9][:200]:
            ends = {int(seller[ground.offers[ground.offer[use]]]) for use in (source[index], target[index])}
            if not ends & touched:
                touched |= ends
                taken[source[index]] -= pieces[index]
                taken[target[index]] += pieces[index]
        if not touched:
            break
    return taken


def _amounts(
    ground: SearchSpace, taken: Floats, state: _State, source: Ints, target: Ints
) -> tuple[Ints, Ints, Floats]:
    """Amounts worth moving: all; what the source has beyond its multiples; what the target's multiples leave unused."""
    compiled, offers = ground.compiled, ground.offers
    here, there = ground.offer[source], ground.offer[target]
    left = np.where(here == there, 0.0, _left(ground, state.used)[there])
    seller, buyer = (compiled.offer_vendor[offers[ends]] for ends in (here, there))
    left = np.where(seller == buyer, left, np.minimum(left, np.maximum(_room(ground, state.used)[buyer], 0.0)))
    most = np.minimum(taken[source], left)
    beyond = np.mod(state.used[here], compiled.offer_multiple[offers[here]])
    unused = bought_for(compiled, offers[there], state.used[there]) - state.used[there]
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
    return np.flatnonzero(changes)[np.cumsum(changes) - 1]


def _state_of(ground: SearchSpace, taken: Floats) -> _State:
    compiled = ground.compiled
    used = _used(ground, taken)
    worth = _worth(ground, np.arange(len(used)), used)
    assortment = compiled.offer_assortment[ground.offers]
    inside = assortment >= 0
    goods = np.bincount(compiled.offer_vendor[ground.offers], worth, len(compiled.vendors)).astype(np.float64)
    return _State(
        used,
        worth,
        goods,
        ground.costs.of_goods(goods),
        np.bincount(assortment[inside], worth[inside], len(compiled.handling_charge)).astype(np.float64),
    )


def _worth(ground: SearchSpace, places: Ints, used: Floats) -> Floats:
    """Goods value of the least purchase that covers the pieces used of some offers."""
    offers = ground.offers[places]
    return worth_of(ground.compiled, offers, bought_for(ground.compiled, offers, used))


def _change(ground: SearchSpace, costs: Costs, state: _State, source: Ints, target: Ints, pieces: Floats) -> Floats:
    """What moving pieces from one offer to another does to the cost."""
    compiled = ground.compiled
    less = _worth(ground, source, state.used[source] - pieces) - state.worth[source]
    more = _worth(ground, target, state.used[target] + pieces) - state.worth[target]
    here, there = (compiled.offer_vendor[ground.offers[ends]] for ends in (source, target))
    same = here == there

    def goods_change(vendor: Ints, change: Floats) -> Floats:
        return costs.of_goods(np.maximum(state.goods[vendor] + change, 0.0), vendor) - state.cost[vendor]

    change = goods_change(here, less + np.where(same, more, 0.0))
    change += np.where(same, 0.0, goods_change(there, more))
    for ends, moved in ((source, less), (target, more)):
        charge = compiled.offer_assortment[ground.offers[ends]]
        inside = np.flatnonzero(charge >= 0)
        now = state.subtotals[charge[inside]]
        after = np.maximum(now + moved[inside], 0.0)
        change[inside] += costs.of_assortments(after, charge[inside]) - costs.of_assortments(now, charge[inside])
    return change


def _topped_up(compiled: Compiled, costs: Costs, bought: Floats) -> Ints:
    """Buy spares so that orders reach the band in which they cost least."""
    pieces = np.rint(bought).astype(np.int64)
    if not compiled.allow_spares:
        return pieces
    step = step_of(compiled, np.arange(len(pieces)), pieces)
    price = np.rint(compiled.step_price[step] * MICRO).astype(np.int64)
    base = np.where(pieces > 0, compiled.step_base_micro[step], 0)
    for number in np.flatnonzero(~compiled.vendors.is_rising).tolist():
        mine = np.flatnonzero(compiled.offer_vendor == number)
        goods = int(pieces[mine] @ price[mine] + base[mine].sum())
        if pieces[mine].any():
            start = costs.start[number, costs.cheapest_band(goods / MICRO, number)]
            lacking = math.ceil(start * MICRO - 1e-3) - goods
            left = np.minimum(compiled.offer_most - pieces, free_for(compiled, np.arange(len(pieces)), pieces))[mine]
            spares = _spares(compiled, mine, pieces[mine], price[mine], lacking, left)
            if pieces[mine].sum() + spares.sum() <= _piece_limits(compiled)[number]:
                pieces[mine] += spares
    return pieces


def _spares(compiled: Compiled, offers: Ints, pieces: Ints, price: Ints, lacking: int, left: Floats) -> Ints:
    """Few pieces worth at least what is lacking, and little more: dear ones first, a cheap one last."""
    multiple = compiled.offer_multiple[offers]
    simple = ~compiled.is_stepped[offers] & (
        (pieces > 0) | (compiled.step_least[compiled.step_start[offers]] == multiple)
    )
    room = np.where(simple, left // multiple, 0)
    unit = multiple * price
    spares = np.zeros(len(offers), np.int64)
    for place in np.lexsort((offers, -unit)):
        count = max(0, min(int(room[place]), lacking // int(unit[place])))
        spares[place] += count * multiple[place]
        room[place] -= count
        lacking -= count * int(unit[place])
    for place in np.lexsort((offers, unit)):
        if lacking > 0 and room[place] > 0:
            spares[place] += multiple[place]
            lacking -= int(unit[place])
    return spares


def _by_step(compiled: Compiled, pieces: Ints) -> Ints:
    """Quantities by price step."""
    by_step = np.zeros(len(compiled.step_offer), np.int64)
    bought = np.flatnonzero(pieces > 0)
    by_step[step_of(compiled, bought, pieces[bought])] = pieces[bought]
    return by_step
