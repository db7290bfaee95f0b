"""Which vendors to buy from: a local search over sets of vendors, many of them costed at once.

For a given set every portion takes its cheapest uses first, the portions of one pool of shared stock in turn, those with
fewest uses first; that is the best there is where portions nest (Edmonds 1971, matroids and the greedy algorithm) and close to
it elsewhere. Thresholds, multiples and price steps enter the cost of what was taken. Sets are improved by adding, dropping and
swapping vendors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.planner.reduction.stand_ins import Relaxation
from pipelines.planner.search.order_costs import BROKEN, Costs, charge_at
from pipelines.planner.statement.bands import VendorBands
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled
from pipelines.planner.statement.shared_stock import order_counts

SHORT_COST = BROKEN / 1000
"""Cost of a piece that is missing without a stand-in."""

EXCESS_ELEMENT = 0.1
"""What an element too many counts as, against one more vendor's charges: it can mostly be had elsewhere for a little more."""

STAND_IN_MARKUP = 1.5
"""What a stand-in's piece counts as, against its price: the real piece behind it costs more."""


@dataclass(frozen=True)
class SearchSpace:
    """Uses in the order in which they are taken, and the offers they draw on, by vendor and assortment.

    Attributes:
        passes: slices of the uses; portions of one pass share no stock.
        use, offer, portion_start, share: the use, its place among ``offers``, where its portion's uses start within the pass,
            and the most it can take.
        pass_portion: portions of each pass, in order, and where their uses end.
        short_cost: cost of a piece that a portion does not get.
        supply: most pieces a vendor has for a portion (vendors x portions).
    """

    compiled: Compiled
    costs: Costs
    passes: tuple[slice, ...]
    use: Ints
    offer: Ints
    first: Ints
    share: Floats
    pass_portions: tuple[Ints, ...]
    pass_ends: tuple[Ints, ...]
    short_cost: Floats
    supply: Floats
    offers: Ints
    offer_most: Floats
    vendor_start: Ints
    vendors: Ints


def pools_of(compiled: Compiled, use: Ints) -> Ints:
    """Numbers of the pools of portions that share stock, by portion."""
    pool = np.arange(len(compiled.need))
    portion, offer = compiled.use_portion[use], compiled.use_offer[use]
    while True:
        of_offer = np.full(len(compiled.offer_row), len(pool))
        np.minimum.at(of_offer, offer, pool[portion])
        merged = pool.copy()
        np.minimum.at(merged, portion, of_offer[offer])
        if (merged == pool).all():
            return pool
        pool = merged


def ground_of(
    compiled: Compiled, uses: Flags, stand_ins: Relaxation | None = None, factor: Floats | None = None
) -> SearchSpace:
    """Prepare a search over some uses, groups in the colour that is cheapest over all vendors.

    Args:
        compiled, uses, stand_ins: what is searched.
        factor: what one more unit of goods costs, by vendor; by it uses are ordered.
    """
    use = np.flatnonzero(uses & (compiled.use_combination < 0) & _in_group_colours(compiled, uses))
    portion, offer = compiled.use_portion[use], compiled.use_offer[use]
    pool = pools_of(compiled, use)
    count = np.bincount(portion, minlength=len(compiled.need))
    by_pool = np.lexsort((np.arange(len(pool)), count, pool))
    changes = np.append(True, np.diff(pool[by_pool]) != 0)
    turn = np.empty(len(pool), np.int64)
    places = np.arange(len(pool))
    turn[by_pool] = places - places[changes][np.cumsum(changes) - 1]
    share = np.minimum(compiled.offer_most[offer], compiled.need[portion]).astype(np.float64)
    price = worth_of(compiled, offer, bought_for(compiled, offer, share)) / share
    price *= (_first_factor(compiled) if factor is None else factor)[compiled.offer_vendor[offer]]
    order = np.lexsort((use, price, portion, turn[portion]))
    use, portion, offer, share, turns = use[order], portion[order], offer[order], share[order], turn[portion[order]]
    bounds = np.searchsorted(turns, np.arange(turns.max(initial=-1) + 2))
    first, pass_portions, pass_ends = np.zeros(len(use), np.int64), [], []
    for start, stop in zip(bounds[:-1], bounds[1:], strict=True):
        portions, begin = np.unique(portion[start:stop], return_index=True)
        first[start:stop] = np.repeat(begin, np.diff(np.append(begin, stop - start)))
        pass_portions.append(portions)
        pass_ends.append(np.append(begin[1:], stop - start) - 1)
    offers = np.unique(offer)
    offers = offers[np.lexsort((offers, compiled.offer_assortment[offers], compiled.offer_vendor[offers]))]
    place = np.full(len(compiled.offer_row), -1)
    place[offers] = np.arange(len(offers))
    vendors, vendor_start = np.unique(compiled.offer_vendor[offers], return_index=True)
    return SearchSpace(
        compiled,
        Costs.of(compiled),
        tuple(slice(start, stop) for start, stop in zip(bounds[:-1], bounds[1:], strict=True)),
        use,
        place[offer],
        first,
        share,
        tuple(pass_portions),
        tuple(pass_ends),
        _short_costs(compiled, stand_ins),
        _supply(compiled),
        offers,
        compiled.offer_most[offers].astype(np.float64),
        vendor_start,
        vendors,
    )


def _first_factor(compiled: Compiled) -> Floats:
    return np.array([float(terms.bands[0].factor) if terms.bands else 0.0 for terms in compiled.vendors.bands])


def _short_costs(compiled: Compiled, stand_ins: Relaxation | None) -> Floats:
    """A stand-in's price, marked up, where there is one; else what no plan pays for a piece."""
    short = np.full(len(compiled.need), SHORT_COST)
    if stand_ins is not None:
        np.minimum.at(short, stand_ins.cell_portion, stand_ins.price * STAND_IN_MARKUP)
    return short


def _supply(compiled: Compiled) -> Floats:
    """Most pieces that a vendor has for a portion (vendors x portions)."""
    place = compiled.offer_vendor[compiled.use_offer] * len(compiled.need) + compiled.use_portion
    size = len(compiled.vendors) * len(compiled.need)
    pieces = np.bincount(place, compiled.offer_most[compiled.use_offer], size).astype(np.float64)
    return pieces.reshape(len(compiled.vendors), -1)


def _in_group_colours(compiled: Compiled, considered: Flags) -> Flags:
    """Uses in the colour in which their group is cheapest when every vendor is used, or without a group.

    The cheapest colour is the one that leaves fewest pieces missing and then costs least at floor prices, when the group's
    portions take their cheapest uses, each as if alone.
    """
    group_of = compiled.group[compiled.use_portion]
    keep = group_of < 0
    grouped = np.flatnonzero(considered & ~keep & (compiled.use_combination < 0))
    if not len(grouped):
        return keep
    offer = compiled.use_offer[grouped]
    by_cell = (compiled.offer_floor[offer], compiled.use_colour[grouped], compiled.use_portion[grouped])
    uses = grouped[np.lexsort(by_cell)]
    offer, portion, colour = compiled.use_offer[uses], compiled.use_portion[uses], compiled.use_colour[uses]
    is_first = np.append(True, (np.diff(portion) != 0) | (np.diff(colour) != 0))
    reached = np.cumsum(compiled.offer_most[offer])
    before = reached - compiled.offer_most[offer]
    base = before[is_first][np.cumsum(is_first) - 1]
    need = compiled.need[portion]
    taken = np.minimum(reached - base, need) - np.minimum(before - base, need)
    width = int(colour.max()) + 1
    keys, choice = np.unique(group_of[uses] * width + colour, return_inverse=True)
    cost = np.bincount(choice, taken * compiled.offer_floor[offer])
    order = np.lexsort((keys, cost, -np.bincount(choice, taken), keys // width))
    best = order[np.append(True, np.diff(keys[order] // width) != 0)]
    keep[uses[np.isin(choice, best)]] = True
    return keep


def fill(ground: SearchSpace, sets: Flags) -> tuple[Floats, Floats, Floats]:
    """What sets of vendors (sets x vendors) supply: pieces by use, pieces by offer, and pieces missing by portion."""
    compiled = ground.compiled
    is_open = sets[:, compiled.offer_vendor[ground.offers]]
    left = np.where(is_open, ground.offer_most, 0.0)
    taken = np.zeros((len(sets), len(ground.use)))
    missing = np.broadcast_to(compiled.need.astype(np.float64), (len(sets), len(compiled.need))).copy()
    for part, portions, ends in zip(ground.passes, ground.pass_portions, ground.pass_ends, strict=True):
        offer, first = ground.offer[part], ground.first[part]
        reached = np.cumsum(np.minimum(left[:, offer], ground.share[part]), axis=1)
        before = np.concatenate([np.zeros((len(sets), 1)), reached[:, :-1]], axis=1)
        base = before[:, first]
        need = np.repeat(compiled.need[portions], np.diff(np.append(-1, ends)))
        filled = np.minimum(reached - base, need)
        pieces = filled - np.minimum(before - base, need)
        taken[:, part] = pieces
        left[:, offer] -= pieces
        missing[:, portions] = compiled.need[portions] - filled[:, ends]
    return taken, np.where(is_open, ground.offer_most, 0.0) - left, missing


def bought_for(compiled: Compiled, offers: Ints, used: Floats | Ints) -> Floats:
    """The smallest quantities on sale that cover the pieces used (..., offers)."""
    multiple = compiled.offer_multiple[offers]
    bought = np.ceil(used / multiple - 1e-9) * multiple
    return np.where(used > 0, np.maximum(bought, compiled.step_least[compiled.step_start[offers]]), 0.0)


def worth_of(compiled: Compiled, offers: Ints, bought: Floats) -> Floats:
    """Goods values of quantities (..., offers), each at the price of its step."""
    step = np.broadcast_to(compiled.step_start[offers], bought.shape)
    stepped = np.flatnonzero(compiled.is_stepped[offers])
    if len(stepped):
        step = step.copy()
        step[..., stepped] = step_of(compiled, offers[stepped], bought[..., stepped])
        return bought * compiled.step_price[step] + np.where(bought > 0, compiled.step_base[step], 0.0)
    return bought * compiled.step_price[step]


def step_of(compiled: Compiled, offers: Ints, pieces: Floats | Ints) -> Ints:
    """The price step that quantities (..., offers) fall in; the first where too few are bought."""
    wide = int(compiled.step_most.max(initial=0)) + 1
    keys = compiled.step_offer * wide + compiled.step_least
    step = np.searchsorted(keys, offers * wide + np.minimum(np.rint(pieces), wide - 1).astype(np.int64), side="right")
    return np.maximum(step - 1, compiled.step_start[offers])


@dataclass(frozen=True)
class CostedSet:
    """Sets of vendors, what they cost about, and how many portions they leave short that others could fill."""

    sets: Flags
    costs: Floats
    short: Ints

    def __getitem__(self, index: Ints) -> CostedSet:
        return CostedSet(self.sets[index], self.costs[index], self.short[index])


def decide(ground: SearchSpace, sets: Flags) -> CostedSet:
    """What sets of vendors (sets x vendors) cost, about.

    Pieces missing count at their stand-in's price. A portion that the set can't fill, stand-in or not, counts like one more
    vendor, so that the search may pass through such sets.
    """
    compiled, costs = ground.compiled, ground.costs
    _, used, missing = fill(ground, sets)
    bought = bought_for(compiled, ground.offers, used)
    worth = worth_of(compiled, ground.offers, bought)
    goods = np.add.reduceat(worth, ground.vendor_start, axis=1)
    total = costs.of_goods(goods, ground.vendors).sum(axis=1) + missing @ ground.short_cost
    assortment = compiled.offer_assortment[ground.offers]
    for charge in np.unique(assortment[assortment >= 0]):
        subtotal = worth[:, assortment == charge].sum(axis=1)
        total += costs.of_assortments(subtotal, int(charge))
    reach = np.minimum(compiled.need, ground.supply.sum(axis=0))
    short = (sets.astype(np.float64) @ ground.supply < reach).sum(axis=1)
    return CostedSet(sets, total + _rarer_charges(ground, bought, goods) + short * ground.costs.typical_fixed, short)


def _rarer_charges(ground: SearchSpace, bought: Floats, goods: Floats) -> Floats:
    """Charges by size, and a prohibitive one for orders beyond a limit."""
    compiled = ground.compiled
    total, order_count = np.zeros(len(bought)), order_counts(compiled)
    stops = np.append(ground.vendor_start[1:], len(ground.offers))
    for place, (number, start, stop) in enumerate(zip(ground.vendors, ground.vendor_start, stops, strict=True)):
        terms, mine = compiled.vendors.bands[number], slice(start, stop)
        offers, pieces = ground.offers[mine], bought[:, mine]
        is_used = goods[:, place] > 0
        orders = _orders_needed(terms, pieces, compiled.offer_weight[offers], int(order_count[number]))
        if order_count[number] > 1:
            total += np.where(is_used, (orders - 1) * ground.costs.fixed[number, 0], 0.0)
        if terms.weight_steps or terms.dimension_steps:
            sends_free = np.zeros(len(bought), np.bool_)
            for band in terms.bands:
                if band.ships_free:
                    sends_free |= goods[:, place] >= float(band.start)
            charges = np.zeros(len(bought))
            if terms.weight_steps:
                weight = pieces @ compiled.offer_weight[offers]
                charges += orders * charge_at(terms.weight_steps, weight / orders)
            if terms.dimension_steps:
                by_class = np.array([float(step.charge) for step in terms.dimension_steps])
                charges += by_class[np.where(pieces > 0, compiled.offer_size_class[offers], 0).max(axis=1)]
            total += np.where(is_used & (~sends_free | (charges >= BROKEN)), charges, 0.0)
        if terms.maximum_piece_count is not None:
            total += BROKEN / 100 * np.maximum(pieces.sum(axis=1) - orders * terms.maximum_piece_count, 0)
        if terms.maximum_element_count is not None:
            excess = np.maximum((pieces > 0).sum(axis=1) - orders * terms.maximum_element_count, 0)
            total += ground.costs.typical_fixed * EXCESS_ELEMENT * excess
    return total


def _orders_needed(terms: VendorBands, pieces: Floats, weight: Floats, most: int) -> Floats:
    """How many orders with a vendor the pieces (sets x offers, of some weight each) take by its limits, from 1 to ``most``."""
    needed = np.ones(len(pieces))
    if most == 1:
        return needed
    if terms.maximum_piece_count is not None:
        needed = np.maximum(needed, np.ceil(pieces.sum(axis=1) / terms.maximum_piece_count))
    if terms.maximum_element_count is not None:
        needed = np.maximum(needed, np.ceil((pieces > 0).sum(axis=1) / terms.maximum_element_count))
    if terms.weight_steps and (end := terms.weight_steps[-1].end) is not None:
        needed = np.maximum(needed, np.floor(pieces @ weight / float(end)) + 1)
    return np.minimum(needed, most)


def improve(ground: SearchSpace, starts: Sequence[Flags], candidates: Ints, rounds: int, keep: int) -> CostedSet:
    """Improve the best of some sets by adding, dropping and swapping vendors; returns the best sets seen, best first.

    Args:
        ground: what the sets are decided by.
        starts: sets to start from, at least one.
        candidates: vendors worth adding.
        rounds: neighbourhoods looked at, at most.
        keep: sets to return, at most; sets that leave nothing short come first.
    """
    limit, forced = ground.compiled.maximum_vendor_count, ground.compiled.vendors.is_forced
    sets = np.unique(np.array(starts) | forced, axis=0)
    sets = sets[sets.sum(axis=1) <= limit] if limit is not None else sets
    if not len(sets):
        sets = forced[None].copy()
    seen = [decide(ground, sets)]
    best = seen[0][_best(seen[0])]
    for _ in range(rounds):
        around = _neighbours(best.sets[0], candidates, limit, forced)
        if not len(around):
            break
        seen.append(decide(ground, around))
        found = seen[-1][_best(seen[-1])]
        if found.costs[0] >= best.costs[0] - 1e-9:
            break
        best = found
    everything = CostedSet(
        *(np.concatenate([getattr(part, name) for part in seen]) for name in ("sets", "costs", "short"))
    )
    everything = everything[np.unique(everything.sets, axis=0, return_index=True)[1]]
    order = np.lexsort((everything.sets.sum(axis=1), everything.costs, everything.short))
    return everything[order[:keep]]


def _best(decided: CostedSet) -> Ints:
    return np.array([np.argmin(decided.costs)])


def _neighbours(current: Flags, candidates: Ints, limit: int | None, forced: Flags) -> Flags:
    """Sets with one vendor more, one less, or one exchanged; forced vendors stay."""
    inside, outside = np.flatnonzero(current & ~forced), candidates[~current[candidates]]
    dropped = np.repeat(current[None], len(inside), axis=0)
    dropped[np.arange(len(inside)), inside] = False
    added = np.repeat(current[None], len(outside), axis=0)
    added[np.arange(len(outside)), outside] = True
    swapped = np.repeat(dropped, len(outside), axis=0)
    swapped[np.arange(len(swapped)), np.tile(outside, len(inside))] = True
    if limit is not None and current.sum() >= limit:
        added = added[:0]
    return np.concatenate([dropped, added, swapped])
