"""Several orders with one vendor: to the planner each is a vendor with offers of its own, but for the stock they share.

Which of the orders is called the first is nobody's concern, so plans are told in one way only: the first has most pieces, and
each has as many as the next or more. Programs state that too, or solvers would look at every plan once for every renumbering.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipelines.costing.several_orders import vendor_of
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints, ints, ranks
from pipelines.planner.statement.problem_arrays import Compiled, SharedStock

_LISTING = ("part_code", "colour_code", "condition", "listing_code")


def shared_stock(codes: list[str], offers: pl.DataFrame, offer_vendor: Ints) -> SharedStock | None:
    """What orders share; None where every vendor gets one.

    Args:
        codes: order codes, sorted.
        offers: WHOLE_OFFER_SCHEMA; ``offer_vendor`` is the place of each one's code.
    """
    vendors = [vendor_of(code) for code in codes]
    if len(set(vendors)) == len(vendors):
        return None
    family = np.unique(np.array(vendors), return_inverse=True)[1].ravel().astype(np.int64)
    facts = [ranks(offers[name]) for name in _LISTING]
    keys = np.stack([family[offer_vendor], *facts])
    listing = np.unique(keys, axis=1, return_inverse=True)[1].ravel().astype(np.int64)
    stock = np.zeros(int(listing.max(initial=-1)) + 1, np.int64)
    stock[listing] = ints(offers["quantity_available"])
    return SharedStock(listing, stock, family)


def matched(compiled: Compiled) -> tuple[tuple[Ints, Ints, Ints], ...]:
    """``SharedStock.alike`` of a problem."""
    sharing = compiled.sharing
    assert sharing is not None
    use_listing, step_listing = sharing.listing[compiled.use_offer], sharing.listing[compiled.step_offer]
    uses = np.stack([use_listing, compiled.use_portion, compiled.use_combination, compiled.use_component])
    steps = np.stack([step_listing, compiled.step_from])
    use_vendor, step_vendor = compiled.offer_vendor[compiled.use_offer], compiled.offer_vendor[compiled.step_offer]
    found = []
    for first in np.flatnonzero(np.append(sharing.family[1:] == sharing.family[:-1], False)):
        pair = np.array([first, first + 1])
        use, step = _pairs(uses, use_vendor, pair), _pairs(steps, step_vendor, pair)
        if use is not None and step is not None and use.size:
            found.append((pair, use, step))
    return tuple(found)


def _pairs(keys: Ints, vendor: Ints, pair: Ints) -> Ints | None:
    """Places of the same keys (fields x places) at two vendors, in rows of two; None where one has a key the other lacks."""
    mine, theirs = (np.flatnonzero(vendor == number) for number in pair)
    mine, theirs = (places[np.lexsort(keys[:, places])] for places in (mine, theirs))
    if len(mine) != len(theirs) or (keys[:, mine] != keys[:, theirs]).any():
        return None
    return np.stack([mine, theirs], axis=1)


def in_one_way(compiled: Compiled, bought: Ints, used: Ints) -> tuple[Ints, Ints]:
    """Pieces bought (by step) and used (by use), with the orders of each vendor by falling number of pieces."""
    if compiled.sharing is None:
        return bought, used
    bought, used = bought.copy(), used.copy()
    is_sorted = False
    while not is_sorted:
        is_sorted = True
        for _, use, step in compiled.sharing.alike:
            if bought[step[:, 0]].sum() < bought[step[:, 1]].sum():
                bought[step], used[use] = bought[step[:, ::-1]], used[use[:, ::-1]]
                is_sorted = False
    return bought, used


def supply_of(compiled: Compiled) -> Ints:
    """Most pieces by offer, such that the offers of a listing have no more than all its orders can: the first has it all."""
    sharing = compiled.sharing
    if sharing is None:
        return compiled.offer_most
    most = np.bincount(sharing.listing, compiled.offer_most, len(sharing.stock)).astype(np.int64)
    supply = np.zeros(len(compiled.offer_most), np.int64)
    listings, first = np.unique(sharing.listing, return_index=True)
    supply[first] = np.minimum(most, sharing.stock)[listings]
    return supply


def first_orders(compiled: Compiled) -> Flags:
    """The vendors (each an order) that are the first order with theirs."""
    if compiled.sharing is None:
        return np.ones(len(compiled.vendors), np.bool_)
    family = compiled.sharing.family
    return np.append(True, family[1:] != family[:-1])


def order_counts(compiled: Compiled) -> Ints:
    """How many orders there may be with every vendor's (each an order's) family."""
    if compiled.sharing is None:
        return np.ones(len(compiled.vendors), np.int64)
    return np.bincount(compiled.sharing.family)[compiled.sharing.family]


def with_further_orders(compiled: Compiled, vendors: Flags) -> Flags:
    """A set of vendors with all orders of its families."""
    if compiled.sharing is None:
        return vendors
    return np.isin(compiled.sharing.family, compiled.sharing.family[vendors])


def free_for(compiled: Compiled, offers: Ints, bought: Ints | Floats) -> Floats:
    """Pieces that are left of the listing of each of some offers, when so many are bought of these offers and none of others."""
    sharing = compiled.sharing
    if sharing is None:
        return np.full(len(offers), np.inf)
    listing = sharing.listing[offers]
    return (sharing.stock - np.bincount(listing, bought, len(sharing.stock)))[listing].astype(np.float64)
