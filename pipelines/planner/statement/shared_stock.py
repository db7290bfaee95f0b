"""Several orders with one vendor: to the planner each is a vendor with offers of its own, but they share the stock.

It does not matter which of the orders is the first. So plans are written in one way only: the first order has most pieces, and
each has as many as the next or more. Programs state that too; without it a solver looks at every plan once per renumbering.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipelines.costing.several_orders import vendor_of
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints, ints, ranks
from pipelines.planner.statement.problem_arrays import ProblemArrays, SharedStock

_LISTING = ("part_code", "colour_code", "condition", "listing_code")


def shared_stock(codes: list[str], offers: pl.DataFrame, offer_vendor: Ints) -> SharedStock | None:
    """What orders share; None where every vendor takes one order.

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


def alike_orders(arrays: ProblemArrays) -> tuple[tuple[Ints, Ints, Ints], ...]:
    """``SharedStock.alike`` of a problem."""
    sharing = arrays.sharing
    assert sharing is not None
    use_listing, step_listing = sharing.listing[arrays.use_offer], sharing.listing[arrays.step_offer]
    uses = np.stack([use_listing, arrays.use_portion, arrays.use_combination, arrays.use_component])
    steps = np.stack([step_listing, arrays.step_from])
    use_vendor, step_vendor = arrays.offer_vendor[arrays.use_offer], arrays.offer_vendor[arrays.step_offer]
    found = []
    for first in np.flatnonzero(np.append(sharing.family[1:] == sharing.family[:-1], False)):
        pair = np.array([first, first + 1])
        use, step = _pairs(uses, use_vendor, pair), _pairs(steps, step_vendor, pair)
        if use is not None and step is not None and use.size:
            found.append((pair, use, step))
    return tuple(found)


def _pairs(keys: Ints, vendor: Ints, pair: Ints) -> Ints | None:
    """Places of equal keys (fields x places) at two vendors, in rows of two; None where one has a key the other lacks."""
    mine, theirs = (np.flatnonzero(vendor == number) for number in pair)
    mine, theirs = (places[np.lexsort(keys[:, places])] for places in (mine, theirs))
    if len(mine) != len(theirs) or (keys[:, mine] != keys[:, theirs]).any():
        return None
    return np.stack([mine, theirs], axis=1)


def largest_orders_first(arrays: ProblemArrays, bought: Ints, used: Ints) -> tuple[Ints, Ints]:
    """Pieces bought (by step) and used (by use), renumbered so that each vendor's larger orders come first."""
    if arrays.sharing is None:
        return bought, used
    bought, used = bought.copy(), used.copy()
    is_sorted = False
    while not is_sorted:
        is_sorted = True
        for _, use, step in arrays.sharing.alike:
            if bought[step[:, 0]].sum() < bought[step[:, 1]].sum():
                bought[step], used[use] = bought[step[:, ::-1]], used[use[:, ::-1]]
                is_sorted = False
    return bought, used


def usable_stock(arrays: ProblemArrays) -> Ints:
    """Most pieces by offer, where a listing's whole stock counts for its first order and none for the others."""
    sharing = arrays.sharing
    if sharing is None:
        return arrays.offer_most
    most = np.bincount(sharing.listing, arrays.offer_most, len(sharing.stock)).astype(np.int64)
    supply = np.zeros(len(arrays.offer_most), np.int64)
    listings, first = np.unique(sharing.listing, return_index=True)
    supply[first] = np.minimum(most, sharing.stock)[listings]
    return supply


def first_orders(arrays: ProblemArrays) -> Flags:
    """Which vendors (each an order) are the first order with their vendor."""
    if arrays.sharing is None:
        return np.ones(len(arrays.vendors), np.bool_)
    family = arrays.sharing.family
    return np.append(True, family[1:] != family[:-1])


def order_counts(arrays: ProblemArrays) -> Ints:
    """How many orders there may be with each vendor (each an order), all of its family counted."""
    if arrays.sharing is None:
        return np.ones(len(arrays.vendors), np.int64)
    return np.bincount(arrays.sharing.family)[arrays.sharing.family]


def with_further_orders(arrays: ProblemArrays, vendors: Flags) -> Flags:
    """A set of vendors (each an order), with all other orders of the same families."""
    if arrays.sharing is None:
        return vendors
    return np.isin(arrays.sharing.family, arrays.sharing.family[vendors])


def stock_left(arrays: ProblemArrays, offers: Ints, bought: Ints | Floats) -> Floats:
    """Pieces left of the listing of each of some offers, when so many are bought of these offers and none of others."""
    sharing = arrays.sharing
    if sharing is None:
        return np.full(len(offers), np.inf)
    listing = sharing.listing[offers]
    return (sharing.stock - np.bincount(listing, bought, len(sharing.stock)))[listing].astype(np.float64)
