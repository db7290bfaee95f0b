"""The purchase problem as arrays: what can be bought at all, in which quantities, at which price.

Costs are in units of money, goods values in each vendor's unit of goods (money.py).

Index arrays name their target in the singular: ``use_offer[u]`` is the offer of use u.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

import numpy as np
import polars as pl

from pipelines.planner.statement.bands import VendorBands
from pipelines.planner.statement.columns_as_arrays import Flags, Floats, Ints


@dataclass(frozen=True)
class Vendors:
    """Vendors with something to sell, by code.

    Attributes:
        bands: their terms; fixed charges include the penalties of an order.
        is_rising: buying less never breaks a rule on goods, and saves at least the goods at the least factor.
        keeps_flow: what is left once the binaries are fixed is a flow. No rule states goods values or weights, which would
            leave fractions in its corners, and no other order shares the stock.
        gains_by_spares: buying more than is used may lower the cost or reach a minimum.
        grain: every goods value of an order is a multiple of this.
        weight_grain: every weight of an order is a multiple of so many grams.
        floor: the least that goods worth one unit cost.
        is_forced: every plan uses a piece of theirs.
    """

    codes: tuple[str, ...]
    bands: tuple[VendorBands, ...]
    is_rising: Flags
    keeps_flow: Flags
    gains_by_spares: Flags
    grain: tuple[Fraction, ...]
    weight_grain: tuple[Fraction, ...]
    floor: Floats
    is_forced: Flags

    def __len__(self) -> int:
        return len(self.codes)

    @cached_property
    def has_one_price(self) -> Flags:
        """Vendors at which every order has one fixed charge and one factor, and no limit."""
        return np.array([terms.has_one_price for terms in self.bands], np.bool_)


@dataclass(frozen=True)
class SharedStock:
    """What the orders of one vendor have in common.

    Attributes:
        listing: by offer, a number that it shares with the same listing's offers in other orders.
        stock: pieces there are, by listing.
        family: by vendor (each an order), a number that all orders with one vendor share.
        alike: for every two neighbouring orders of a family that offer the same: the two vendors, and their uses and price
            steps in rows of two, the one's and its counterpart of the other's.
    """

    listing: Ints
    stock: Ints
    family: Ints
    alike: tuple[tuple[Ints, Ints, Ints], ...] = ()

    @property
    def is_shared(self) -> Flags:
        """By vendor, whether it is one of several orders."""
        return np.bincount(self.family)[self.family] > 1


@dataclass(frozen=True)
class ProblemArrays:
    """A purchase problem, less all that no plan can have.

    Attributes:
        need: pieces needed per portion.
        group: number of the portion's colour group, -1 for none.
        use_*: uses by portion and offer. ``use_row`` is the row in the problem. ``use_combination`` is -1 for direct uses, else
            a combination of one portion in one colour; ``use_component`` is the component of it that the offer supplies. Both
            are numbered over all portions.
        combination_portion, combination_colour, component_combination, component_count: the combinations.
        offer_*: offers. ``row`` is the row in the problem, ``most`` the most pieces that can be bought, ``want`` the most that
            portions can use, ``assortment`` one of the handling charges or -1, ``element`` a number per (vendor, part, colour),
            ``size_class`` the vendor's dimension step.
        is_counted: by offer, whether pieces bought may differ from pieces used, so that they are counted apart.
        step_*: price steps by offer and start (``from``). Quantities in [least, most] are worth ``base`` and ``price`` each.
            ``base`` is 0 where the price is for all pieces, and may be negative; ``base_micro`` is the same in millionths of the
            vendor's currency. ``gap`` is how many pieces lie between ``least`` and the next smaller quantity on sale.
        step_facts: by price step, offer_index and what the landed cost takes of a purchase beside its quantity.
        handling_*: handling charges of (vendor, assortment).
        sharing: what several orders with one vendor share, each being a vendor here; None where every vendor takes one.
        money_unit: a unit of cost, in the buyer's currency.
    """

    vendors: Vendors
    need: Ints
    group: Ints
    use_portion: Ints
    use_offer: Ints
    use_colour: Ints
    use_combination: Ints
    use_component: Ints
    use_row: Ints
    combination_portion: Ints
    combination_colour: Ints
    component_combination: Ints
    component_count: Ints
    offer_row: Ints
    offer_vendor: Ints
    offer_most: Ints
    offer_want: Ints
    offer_multiple: Ints
    offer_assortment: Ints
    offer_element: Ints
    offer_weight: Floats
    offer_size_class: Ints
    is_counted: Flags
    step_offer: Ints
    step_from: Ints
    step_least: Ints
    step_most: Ints
    step_gap: Ints
    step_price: Floats
    step_base: Floats
    step_base_micro: Ints
    step_facts: pl.DataFrame
    handling_vendor: Ints
    handling_charge: Floats
    handling_waived_from: tuple[Fraction | None, ...]
    allow_spares: bool
    maximum_vendor_count: int | None
    sharing: SharedStock | None = None
    money_unit: Fraction = Fraction(1)

    @cached_property
    def typical_charge(self) -> float:
        """What one more vendor costs before any goods: the median of the lowest bands."""
        lowest = [float(terms.bands[0].fixed) if terms.bands else 0.0 for terms in self.vendors.bands]
        return float(np.median(lowest)) if lowest else 0.0

    @cached_property
    def scale(self) -> float:
        """About what a plan costs at least: all pieces where each is cheapest, and one typical order's charge."""
        return self.cheapest_goods[0] + self.typical_charge or 1.0

    @cached_property
    def cheapest_goods(self) -> tuple[float, int]:
        """What all pieces that somebody sells cost where each is cheapest, and how many these are."""
        cheapest = np.full(len(self.need), np.inf)
        np.minimum.at(cheapest, self.use_portion, self.offer_floor[self.use_offer])
        sold = np.isfinite(cheapest)
        return float(self.need[sold] @ cheapest[sold]), int(self.need[sold].sum())

    @cached_property
    def highest_threshold(self) -> Floats:
        """The highest threshold on goods or an assortment in each vendor's terms. More goods never help to reach one."""
        top = [max((float(band.start) for band in terms.bands), default=0.0) for terms in self.vendors.bands]
        highest = np.array(top, np.float64)
        for vendor, waived_from in zip(self.handling_vendor, self.handling_waived_from, strict=True):
            highest[vendor] = max(highest[vendor], float(waived_from or 0))
        return highest

    @cached_property
    def step_start(self) -> Ints:
        """First step of every offer, and the number of steps."""
        return np.searchsorted(self.step_offer, np.arange(len(self.offer_row) + 1))

    @property
    def step_count(self) -> Ints:
        """Price steps of every offer."""
        return np.diff(self.step_start)

    @cached_property
    def is_stepped(self) -> Flags:
        """Whether a piece's price depends on how many are bought, by offer."""
        stepped = self.step_count > 1
        stepped[self.step_offer[self.step_base != 0]] = True
        return stepped

    @property
    def offer_limit(self) -> Ints:
        """Most pieces of every offer that can be used."""
        return np.minimum(self.offer_most, self.offer_want)

    @cached_property
    def use_want(self) -> Ints:
        """The most pieces of its offer that every use can take."""
        pieces = np.ones(len(self.use_offer), np.int64)
        made_up = self.use_component >= 0
        pieces[made_up] = self.component_count[self.use_component[made_up]]
        return self.need[self.use_portion] * pieces

    @cached_property
    def offer_price(self) -> Floats:
        """Price of every offer's first step."""
        return self.step_price[self.step_start[:-1]]

    @cached_property
    def offer_highest_price(self) -> Floats:
        """The highest price of a piece in every offer's steps."""
        more = np.maximum(self.step_base / self.step_least, 0.0)  # pieces below the first step that can be reached
        return np.maximum.reduceat(self.step_price + more, self.step_start[:-1]) if len(more) else more

    @cached_property
    def offer_spread(self) -> Floats:
        """Pieces bought per piece used, at least: more than 1 where the least on sale exceeds the use."""
        return np.maximum(1.0, self.step_least[self.step_start[:-1]] / self.offer_limit)

    @cached_property
    def offer_lowest(self) -> Floats:
        """The least goods value per piece used of every offer."""
        # Within a step the average price is lowest at one of its ends, and at least the step's least is bought.
        average = self.step_price + np.minimum(self.step_base / self.step_least, self.step_base / self.step_most)
        average *= np.maximum(1.0, self.step_least / self.offer_limit[self.step_offer])
        return np.minimum.reduceat(average, self.step_start[:-1]) if len(average) else average

    @cached_property
    def offer_floor(self) -> Floats:
        """The least cost per piece used of every offer."""
        return self.offer_lowest * self.vendors.floor[self.offer_vendor]
