"""A large problem in which each vendor is replaced by orders, one per band: one fixed charge, one price per offer.

At given prices of portions, the Lagrangean (lagrangean.py) chooses for each band the multiplier of its start, and the share of
handling charges by offer, that give the highest bound. With these fixed, an order in a band is like a vendor without rules. A
program then states its offers by cuts, without columns (vendor_relaxation.py), and at most one of a vendor's orders is placed.
Prices from that program give the Lagrangean at least the bound it had, so that the two raise the bound in turn (block
coordinate ascent).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.statement.bands import ZERO, Band, VendorBands
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays, Vendors


@dataclass(frozen=True)
class BandOrders:
    """The problem with orders in the place of vendors, and the vendor of each (``Lagrangean.order_vendor``)."""

    arrays: ProblemArrays
    vendor: Ints


def band_orders(lagrangean: Lagrangean, prices: Floats, vendors: Flags) -> BandOrders:
    """The problem of some vendors by orders, at the multipliers that bound best at some prices by row."""
    arrays = lagrangean.arrays
    if arrays.vendors.has_one_price.all() and lagrangean.is_simple.all():
        return BandOrders(arrays, np.arange(len(arrays.vendors)))
    priced = lagrangean.priced_orders(prices, vendors)
    vendor_of = lagrangean.order_vendor
    count = np.bincount(vendor_of)
    first = np.cumsum(count) - count
    fixed, price = lagrangean.fixed_or_zero[vendor_of], {}
    for number, orders in priced.items():
        for index, (charge, by_offer) in enumerate(orders):
            fixed[first[number] + index] = charge
            price[first[number] + index] = by_offer
    offer = np.flatnonzero(vendors[arrays.offer_vendor])
    copies = count[arrays.offer_vendor[offer]]
    start = np.zeros(len(arrays.offer_row), np.int64)
    start[offer] = np.cumsum(copies) - copies
    offers = np.repeat(offer, copies)
    seller = first[arrays.offer_vendor[offers]] + np.arange(len(offers)) - start[offers]
    unit = arrays.offer_lowest[offers] * lagrangean.factor[arrays.offer_vendor[offers]]
    for order, by_offer in price.items():
        mine = np.flatnonzero(seller == order)
        unit[mine] = by_offer[offers[mine]]
    use = np.flatnonzero(vendors[arrays.offer_vendor[arrays.use_offer]])
    of_use = count[arrays.offer_vendor[arrays.use_offer[use]]]
    uses = np.repeat(use, of_use)
    nth = np.arange(len(uses)) - np.repeat(np.cumsum(of_use) - of_use, of_use)
    whole, none = np.ones(len(offers), np.int64), np.zeros(len(offers), np.int64)
    return BandOrders(
        replace(
            arrays,
            vendors=_vendors_of(fixed),
            **{
                name: getattr(arrays, name)[uses]
                for name in ("use_portion", "use_colour", "use_combination", "use_component", "use_row")
            },
            use_offer=start[arrays.use_offer[uses]] + nth,
            **{
                name: getattr(arrays, name)[offers]
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
            step_most=arrays.offer_most[offers],
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
    """Vendors without rules: a fixed charge each, and goods at their prices."""
    bands = tuple(
        VendorBands((Band(ZERO, None, Fraction(charge), Fraction(1)),), {}, (), (), ZERO, None, None)
        for charge in fixed.tolist()
    )
    yes = np.ones(len(fixed), np.bool_)
    grains = (Fraction(1),) * len(fixed)
    return Vendors(("",) * len(fixed), bands, yes, yes, ~yes, grains, grains, np.ones(len(fixed)), ~yes)
