"""Which vendors to buy from: a local search over sets of vendors, of which many are costed at once.

With a given set, every portion takes its cheapest uses first. Portions that share stock take turns, those with fewest uses
first. Then the cost of what was taken is worked out, thresholds, multiples and price steps included. Sets are improved by
adding, dropping and swapping vendors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipelines.planner.reduction.stand_ins import StandIns
from pipelines.planner.search.order_costs import OrderCosts, charge_at
from pipelines.planner.statement.bands import VendorBands
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.shared_stock import order_counts
from pipelines.planner.statement.tolerances import IMPROVES, SHORT

EXCESS_ELEMENT = 0.1
"""An element too many counts as this share of a vendor's charges: mostly it can be had elsewhere for a little more."""

STAND_IN_MARKUP = 1.5
"""A stand-in's piece counts as so many times its price: the piece in whose place it is costs more."""


@dataclass(frozen=True)
class SearchedUses:
    """Uses in the order in which they are taken, and the offers they draw on, by vendor and assortment.

    Attributes:
        passes: slices of the uses, taken one after the other; portions of one pass share no stock.
        use, offer, first, share: the use, the place of its offer among ``offers``, where its portion's uses start within the
            pass, and the most pieces it can take.
        pass_portions, pass_ends: portions of each pass, in order, and where their uses end.
        short_cost: cost of a piece that a portion does not get.
        supply: most pieces a vendor has for a portion (vendors x portions).
        offers, offer_most: offers by vendor and assortment, and the most pieces of each.
        vendors, vendor_start: their vendors, and where each vendor's offers start.
    """

    arrays: ProblemArrays
    costs: OrderCosts
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


def pools_of(arrays: ProblemArrays, use: Ints) -> Ints:
    """A number by portion; portions that share stock, directly or through others, have the same."""
    pool = np.arange(len(arrays.need))
    portion, offer = arrays.use_portion[use], arrays.use_offer[use]
    while True:
        of_offer = np.full(len(arrays.offer_row), len(pool))
        np.minimum.at(of_offer, offer, pool[portion])
        merged = pool.copy()
        np.minimum.at(merged, portion, of_offer[offer])
        if (merged == pool).all():
            return pool
        pool = merged


def searched_uses(
    arrays: ProblemArrays, uses: Flags, stand_ins: StandIns | None = None, factor: Floats | None = None
) -> SearchedUses:
    """The uses a search looks at, in the order in which they are taken; groups in the colour cheapest over all vendors.

    Args:
        arrays, uses, stand_ins: what is searched.
        factor: what one more unit of goods costs, by vendor; it decides which use is cheaper. The lowest band's by default.
    """
    use = np.flatnonzero(uses & (arrays.use_combination < 0) & _in_group_colours(arrays, uses))
    portion, offer = arrays.use_portion[use], arrays.use_offer[use]
    pool = pools_of(arrays, use)
    count = np.bincount(portion, minlength=len(arrays.need))
    by_pool = np.lexsort((np.arange(len(pool)), count, pool))
    changes = np.append(True, np.diff(pool[by_pool]) != 0)
    turn = np.empty(len(pool), np.int64)
    places = np.arange(len(pool))
    turn[by_pool] = places - places[changes][np.cumsum(changes) - 1]
    share = np.minimum(arrays.offer_most[offer], arrays.need[portion]).astype(np.float64)
    price = worth_of(arrays, offer, bought_for(arrays, offer, share)) / share
    price *= (_first_factor(arrays) if factor is None else factor)[arrays.offer_vendor[offer]]
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
    offers = offers[np.lexsort((offers, arrays.offer_assortment[offers], arrays.offer_vendor[offers]))]
    place = np.full(len(arrays.offer_row), -1)
    place[offers] = np.arange(len(offers))
    vendors, vendor_start = np.unique(arrays.offer_vendor[offers], return_index=True)
    return SearchedUses(
        arrays,
        OrderCosts.of(arrays),
        tuple(slice(start, stop) for start, stop in zip(bounds[:-1], bounds[1:], strict=True)),
        use,
        place[offer],
        first,
        share,
        tuple(pass_portions),
        tuple(pass_ends),
        _short_costs(arrays, stand_ins),
        _supply(arrays),
        offers,
        arrays.offer_most[offers].astype(np.float64),
        vendor_start,
        vendors,
    )


def _first_factor(arrays: ProblemArrays) -> Floats:
    return np.array([float(terms.bands[0].factor) if terms.bands else 0.0 for terms in arrays.vendors.bands])


def _short_costs(arrays: ProblemArrays, stand_ins: StandIns | None) -> Floats:
    """What a missing piece counts as, by portion: its stand-in's price, marked up, or what no plan pays."""
    short = np.full(len(arrays.need), SHORT * arrays.scale)
    if stand_ins is not None:
        np.minimum.at(short, stand_ins.cell_portion, stand_ins.price * STAND_IN_MARKUP)
    return short


def _supply(arrays: ProblemArrays) -> Floats:
    """Most pieces that a vendor has for a portion (vendors x portions)."""
    place = arrays.offer_vendor[arrays.use_offer] * len(arrays.need) + arrays.use_portion
    size = len(arrays.vendors) * len(arrays.need)
    pieces = np.bincount(place, arrays.offer_most[arrays.use_offer], size).astype(np.float64)
    return pieces.reshape(len(arrays.vendors), -1)


def _in_group_colours(arrays: ProblemArrays, considered: Flags) -> Flags:
    """Uses without a group, and those in the colour in which their group is cheapest when every vendor is used.

    That colour leaves fewest pieces missing and then costs least at floor prices, when each of the group's portions takes its
    cheapest uses as if it were alone.
    """
    group_of = arrays.group[arrays.use_portion]
    keep = group_of < 0
    grouped = np.flatnonzero(considered & ~keep & (arrays.use_combination < 0))
    if not len(grouped):
        return keep
    offer = arrays.use_offer[grouped]
    by_cell = (arrays.offer_floor[offer], arrays.use_colour[grouped], arrays.use_portion[grouped])
    uses = grouped[np.lexsort(by_cell)]
    offer, portion, colour = arrays.use_offer[uses], arrays.use_portion[uses], arrays.use_colour[uses]
    is_first = np.append(True, (np.diff(portion) != 0) | (np.diff(colour) != 0))
    reached = np.cumsum(arrays.offer_most[offer])
    before = reached - arrays.offer_most[offer]
    base = before[is_first][np.cumsum(is_first) - 1]
    need = arrays.need[portion]
    taken = np.minimum(reached - base, need) - np.minimum(before - base, need)
    width = int(colour.max()) + 1
    keys, choice = np.unique(group_of[uses] * width + colour, return_inverse=True)
    cost = np.bincount(choice, taken * arrays.offer_floor[offer])
    order = np.lexsort((keys, cost, -np.bincount(choice, taken), keys // width))
    best = order[np.append(True, np.diff(keys[order] // width) != 0)]
    keep[uses[np.isin(choice, best)]] = True
    return keep


def fill(searched: SearchedUses, sets: Flags) -> tuple[Floats, Floats, Floats]:
    """What sets of vendors (sets x vendors) supply: pieces by use, pieces by offer, and pieces missing by portion.

    Cheapest first is the best there is for one portion alone, and where the uses of portions nest: Edmonds, Matroids and the
    greedy algorithm, Math. Programming 1 (1971) 127-136, doi 10.1007/BF01584082. Elsewhere it is close.
    """
    arrays = searched.arrays
    is_open = sets[:, arrays.offer_vendor[searched.offers]]
    left = np.where(is_open, searched.offer_most, 0.0)
    taken = np.zeros((len(sets), len(searched.use)))
    missing = np.broadcast_to(arrays.need.astype(np.float64), (len(sets), len(arrays.need))).copy()
    for part, portions, ends in zip(searched.passes, searched.pass_portions, searched.pass_ends, strict=True):
        offer, first = searched.offer[part], searched.first[part]
        reached = np.cumsum(np.minimum(left[:, offer], searched.share[part]), axis=1)
        before = np.concatenate([np.zeros((len(sets), 1)), reached[:, :-1]], axis=1)
        base = before[:, first]
        need = np.repeat(arrays.need[portions], np.diff(np.append(-1, ends)))
        filled = np.minimum(reached - base, need)
        pieces = filled - np.minimum(before - base, need)
        taken[:, part] = pieces
        left[:, offer] -= pieces
        missing[:, portions] = arrays.need[portions] - filled[:, ends]
    return taken, np.where(is_open, searched.offer_most, 0.0) - left, missing


def bought_for(arrays: ProblemArrays, offers: Ints, used: Floats | Ints) -> Floats:
    """The smallest quantities on sale that cover the pieces used (..., offers)."""
    multiple = arrays.offer_multiple[offers]
    bought = np.ceil(used / multiple - 1e-9) * multiple
    return np.where(used > 0, np.maximum(bought, arrays.step_least[arrays.step_start[offers]]), 0.0)


def worth_of(arrays: ProblemArrays, offers: Ints, bought: Floats) -> Floats:
    """Goods values of quantities (..., offers), each at the price of its step."""
    step = np.broadcast_to(arrays.step_start[offers], bought.shape)
    stepped = np.flatnonzero(arrays.is_stepped[offers])
    if len(stepped):
        step = step.copy()
        step[..., stepped] = step_of(arrays, offers[stepped], bought[..., stepped])
        return bought * arrays.step_price[step] + np.where(bought > 0, arrays.step_base[step], 0.0)
    return bought * arrays.step_price[step]


def step_of(arrays: ProblemArrays, offers: Ints, pieces: Floats | Ints) -> Ints:
    """The price step that quantities (..., offers) fall in; the first where too few are bought."""
    wide = int(arrays.step_most.max(initial=0)) + 1
    keys = arrays.step_offer * wide + arrays.step_least
    step = np.searchsorted(keys, offers * wide + np.minimum(np.rint(pieces), wide - 1).astype(np.int64), side="right")
    return np.maximum(step - 1, arrays.step_start[offers])


@dataclass(frozen=True)
class CostedSets:
    """Sets of vendors, about what they cost, and how many portions they leave short that others could fill."""

    sets: Flags
    costs: Floats
    short: Ints

    def __getitem__(self, index: Ints) -> CostedSets:
        return CostedSets(self.sets[index], self.costs[index], self.short[index])


def costed(searched: SearchedUses, sets: Flags) -> CostedSets:
    """About what sets of vendors (sets x vendors) cost.

    Missing pieces count at their stand-in's price. A portion that the set can't fill counts like one more vendor, stand-in or
    not, so that the search may pass through such sets.
    """
    arrays, costs = searched.arrays, searched.costs
    _, used, missing = fill(searched, sets)
    bought = bought_for(arrays, searched.offers, used)
    worth = worth_of(arrays, searched.offers, bought)
    goods = np.add.reduceat(worth, searched.vendor_start, axis=1)
    total = costs.of_goods(goods, searched.vendors).sum(axis=1) + missing @ searched.short_cost
    assortment = arrays.offer_assortment[searched.offers]
    for charge in np.unique(assortment[assortment >= 0]):
        subtotal = worth[:, assortment == charge].sum(axis=1)
        total += costs.of_assortments(subtotal, int(charge))
    reach = np.minimum(arrays.need, searched.supply.sum(axis=0))
    short = (sets.astype(np.float64) @ searched.supply < reach).sum(axis=1)
    return CostedSets(sets, total + _rarer_charges(searched, bought, goods) + short * arrays.typical_charge, short)


def _rarer_charges(searched: SearchedUses, bought: Floats, goods: Floats) -> Floats:
    """Charges by size, and a prohibitive one for orders beyond a limit."""
    arrays = searched.arrays
    total, order_count, broken = np.zeros(len(bought)), order_counts(arrays), searched.costs.broken
    stops = np.append(searched.vendor_start[1:], len(searched.offers))
    for place, (number, start, stop) in enumerate(zip(searched.vendors, searched.vendor_start, stops, strict=True)):
        terms, mine = arrays.vendors.bands[number], slice(start, stop)
        offers, pieces = searched.offers[mine], bought[:, mine]
        is_used = goods[:, place] > 0
        orders = _orders_needed(terms, pieces, arrays.offer_weight[offers], int(order_count[number]))
        if order_count[number] > 1:
            total += np.where(is_used, (orders - 1) * searched.costs.fixed[number, 0], 0.0)
        if terms.weight_steps or terms.dimension_steps:
            sends_free = np.zeros(len(bought), np.bool_)
            for band in terms.bands:
                if band.ships_free:
                    sends_free |= goods[:, place] >= float(band.start)
            charges = np.zeros(len(bought))
            if terms.weight_steps:
                weight = pieces @ arrays.offer_weight[offers]
                charges += orders * charge_at(terms.weight_steps, weight / orders, broken)
            if terms.dimension_steps:
                by_class = np.array([float(step.charge) for step in terms.dimension_steps])
                charges += by_class[np.where(pieces > 0, arrays.offer_size_class[offers], 0).max(axis=1)]
            total += np.where(is_used & (~sends_free | (charges >= broken)), charges, 0.0)
        if terms.maximum_piece_count is not None:
            total += broken / 100 * np.maximum(pieces.sum(axis=1) - orders * terms.maximum_piece_count, 0)
        if terms.maximum_element_count is not None:
            excess = np.maximum((pieces > 0).sum(axis=1) - orders * terms.maximum_element_count, 0)
            total += arrays.typical_charge * EXCESS_ELEMENT * excess
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


def improve(searched: SearchedUses, starts: Sequence[Flags], candidates: Ints, rounds: int, keep: int) -> CostedSets:
    """The best sets that adding, dropping and swapping vendors finds from some sets, best first.

    Args:
        searched: what the sets are decided by.
        starts: sets to start from, at least one.
        candidates: vendors worth adding.
        rounds: neighbourhoods that are tried, at most.
        keep: sets to return, at most; sets that leave nothing short come first.
    """
    limit, forced = searched.arrays.maximum_vendor_count, searched.arrays.vendors.is_forced
    sets = np.unique(np.array(starts) | forced, axis=0)
    sets = sets[sets.sum(axis=1) <= limit] if limit is not None else sets
    if not len(sets):
        sets = forced[None].copy()
    seen = [costed(searched, sets)]
    best = seen[0][_best(seen[0])]
    for _ in range(rounds):
        around = _neighbours(best.sets[0], candidates, limit, forced)
        if not len(around):
            break
        seen.append(costed(searched, around))
        found = seen[-1][_best(seen[-1])]
        if found.costs[0] >= best.costs[0] - IMPROVES:
            break
        best = found
    everything = CostedSets(
        *(np.concatenate([getattr(part, name) for part in seen]) for name in ("sets", "costs", "short"))
    )
    everything = everything[np.unique(everything.sets, axis=0, return_index=True)[1]]
    order = np.lexsort((everything.sets.sum(axis=1), everything.costs, everything.short))
    return everything[order[:keep]]


def _best(found: CostedSets) -> Ints:
    return np.array([np.argmin(found.costs)])


def _neighbours(current: Flags, candidates: Ints, limit: int | None, forced: Flags) -> Flags:
    """Sets with one vendor more, one fewer, or one exchanged; forced vendors stay."""
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
