"""A large problem with an order in each of a vendor's bands in the vendor's place: one fixed charge, one price per offer.

For some prices of portions, the Lagrangean (lagrangean.py) values a vendor in a band at the multiplier of the band's start, and
at the share of handling charges by offer, that tell most. With these quarantined, an order in a band is one of a vendor without rules,
so that its offers need no columns in a program (pool_program.py) but cuts; at most one of a vendor's orders is placed. Prices from
that program bring the Lagrangean at least what it had: the two take turns to rise (block coordinate ascent).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.statement.bands import ZERO, Band, VendorBands
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled, Vendors


@dataclass(frozen=True)
class BandOrders:
    """The problem by orders (Lagrangean.order_vendor); ``vendor`` is the vendor of every order."""

    compiled: Compiled
    vendor: Ints


def band_orders(lagrangean: Lagrangean, prices: Floats, vendors: Flags) -> BandOrders:
    """The problem of some vendors by orders, at the multipliers that tell most at some prices by row."""
    compiled = lagrangean.compiled
    if compiled.vendors.has_one_price.all() and not compiled.is_stepped.any():
        return BandOrders(compiled, np.arange(len(compiled.vendors)))
    priced = lagrangean.priced_orders(prices, vendors)
    vendor_of = lagrangean.order_vendor
    count = np.bincount(vendor_of)
    first = np.cumsum(count) - count
    fixed, price = lagrangean.fixed_or_zero[vendor_of], {}
    for number, orders in priced.items():
        for index, (charge, by_offer) in enumerate(orders):
            fixed[first[number] + index] = charge
            price[first[number] + index] = by_offer
    offer = np.flatnonzero(vendors[compiled.offer_vendor])
    copies = count[compiled.offer_vendor[offer]]
    start = np.zeros(len(compiled.offer_row), np.int64)
    start[offer] = np.cumsum(copies) - copies
    offers = np.repeat(offer, copies)
    seller = first[compiled.offer_vendor[offers]] + np.arange(len(offers)) - start[offers]
    unit = compiled.offer_lowest[offers] * lagrangean.factor[compiled.offer_vendor[offers]]
    for order, by_offer in price.items():
        mine = np.flatnonzero(seller == order)
        unit[mine] = by_offer[offers[mine]]
    use = np.flatnonzero(vendors[compiled.offer_vendor[compiled.use_offer]])
    of_use = count[compiled.offer_vendor[compiled.use_offer[use]]]
    uses = np.repeat(use, of_use)
    nth = np.arange(len(uses)) - np.repeat(np.cumsum(of_use) - of_use, of_use)
    whole, none = np.ones(len(offers), np.int64), np.zeros(len(offers), np.int64)
    return BandOrders(
        replace(
            compiled,
            vendors=_vendors_of(fixed),
            **{
                name: getattr(compiled, name)[uses]
                for name in ("use_portion", "use_colour", "use_combination", "use_component", "use_row")
            },
            use_offer=start[compiled.use_offer[uses]] + nth,
            **{
                name: getattr(compiled, name)[offers]
                for name in ("offer_row", "offer_most", "offer_want", "offer_element", "offer_weight")
            },
            offer_vendor=seller,
            offer_multiple=whole,
            offer_assortment=none - 1,
            offer_size_class=none,
            is_counted=none > 0,
            step_offer=np.arange(len(offers)),
            step_from=whole,
            step_least=whole,
            step_most=compiled.offer_most[offers],
            step_gap=whole,
            step_price=unit,
            step_base=np.zeros(len(offers)),
            step_base_micro=none,
            handling_vendor=none[:0],
            handling_charge=unit[:0],
            handling_waived_from=(),
            sharing=None,  # a bound may leave out what several orders with a vendor share
        ),
        vendor_of,
    )


def _vendors_of(fixed: Floats) -> Vendors:
    """Vendors without rules: a fixed charge each, goods as they are priced."""
    bands = tuple(
        VendorBands((Band(ZERO, None, Fraction(charge), Fraction(1)),), {}, (), (), ZERO, None, None)
        for charge in fixed.tolist()
    )
    yes, ones = np.ones(len(fixed), np.bool_), np.ones(len(fixed), np.int64)
    return Vendors(("",) * len(fixed), bands, yes, yes, ~yes, ones, ones, ones.astype(np.float64), ~yes)
