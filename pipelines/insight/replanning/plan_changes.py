"""Simple changes to a purchase plan, priced exactly: some portions' pieces are bought elsewhere, all else stays."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from itertools import product
from typing import Any

import numpy as np
import polars as pl

from pipelines.costing.landed_cost import Purchase, VendorLandedCost, work_out_order
from pipelines.costing.price_steps import average_price, goods_value
from pipelines.costing.several_orders import order_number_of, vendor_of
from pipelines.costing.terms import VendorTerms
from pipelines.planning.candidates import Candidates
from pipelines.planning.purchase_plan import PURCHASE_SCHEMA, PurchasePlan

Portion = tuple[int, int]
Pieces = dict[str, int]
"""Pieces by offer_id."""


@dataclass(frozen=True)
class Offer:
    """An offer as a purchase needs it: what can be bought of it, and its price steps in rising order."""

    facts: Mapping[str, Any]
    vendor_code: str
    most: int
    multiple: int
    steps: tuple[tuple[int, Decimal], ...]
    step_kind: str

    def quantity_for(self, used: int) -> int | None:
        """The least that can be bought to use so many pieces; None when there are not as many."""
        least = max(used, self.steps[0][0])
        quantity = -(-least // self.multiple) * self.multiple
        return quantity if quantity <= self.most else None

    def step_at(self, quantity: int) -> tuple[int, Decimal]:
        """The price step that a quantity reaches."""
        return max(step for step in self.steps if step[0] <= quantity)

    def purchase(self, quantity: int) -> Purchase:
        """So many pieces, at their steps' prices."""
        facts = {name: self.facts[name] for name in Purchase._fields if name in self.facts}
        value = self.value(quantity)
        return Purchase(**facts, quantity=quantity, unit_price=self.price(quantity), goods_value=value)

    def value(self, quantity: int) -> Decimal:
        """What so many pieces cost as displayed."""
        return goods_value(self.steps, self.step_kind, quantity)

    def price(self, quantity: int) -> Decimal:
        """The price of one of so many pieces, or their average."""
        if self.step_kind == "incremental":
            return average_price(self.value(quantity), quantity)
        return self.step_at(quantity)[1]


def is_beyond_stock(bought: Mapping[str, int], offers: Mapping[str, Offer]) -> bool:
    """Whether several orders with a vendor buy more of an offer than there is."""
    together: Pieces = {}
    for offer_id, quantity in bought.items():
        together[vendor_of(offer_id)] = together.get(vendor_of(offer_id), 0) + quantity
    further = {offer_id for offer_id in bought if order_number_of(offer_id) > 1}
    return any(together[vendor_of(each)] > offers[each].facts["quantity_available"] for each in further)


class Offers(Mapping[str, Offer]):
    """The offers of some candidates by offer_id, in their order; each is made when it is asked for, because most never are."""

    def __init__(self, candidates: Candidates) -> None:
        self._offers, self._numbers = candidates.offers, candidates.offer_numbers
        self._steps = candidates.steps.select("step_from_quantity", "unit_price", "currency_code", "last_confirmed_on")
        self._ends = np.searchsorted(candidates.steps["offer_index"].to_numpy(), np.arange(len(self._numbers) + 1))
        self._made: dict[str, Offer] = {}

    def __getitem__(self, offer_id: str) -> Offer:
        if offer_id not in self._made:
            self._made[offer_id] = self._offer(self._numbers[offer_id])
        return self._made[offer_id]

    def __contains__(self, offer_id: object) -> bool:
        return offer_id in self._numbers

    def __iter__(self) -> Iterator[str]:
        return iter(self._numbers)

    def __len__(self) -> int:
        return len(self._numbers)

    def _offer(self, number: int) -> Offer:
        first, end = self._ends[number], self._ends[number + 1]
        steps = [self._steps.row(int(at)) for at in range(first, end)]
        facts = self._offers.row(number, named=True)
        facts |= {"currency_code": steps[0][2], "last_confirmed_on": steps[0][3]}
        multiple = facts["sold_in_multiples_of"]
        most = min(facts["quantity_available"], facts["maximum_per_order"] or facts["quantity_available"])
        prices = tuple((start, price) for start, price, *_ in steps)
        return Offer(facts, facts["vendor_code"], most // multiple * multiple, multiple, prices, facts["step_kind"])


class ChangeablePlan:
    """A plan's purchases with each vendor's landed cost, for pricing changes to it.

    Args:
        plan: the plan.
        offers: at least those the plan buys.
        terms: by vendor code.
    """

    def __init__(self, plan: PurchasePlan, offers: Mapping[str, Offer], terms: Mapping[str, VendorTerms]) -> None:
        self.plan, self.offers, self.terms = plan, offers, terms
        self.bought: Pieces = dict(plan.purchases.select("offer_id", "quantity").iter_rows())
        self.landed_costs = self._landed_costs(self.bought, set(plan.purchases["vendor_code"]))
        self.allocations = plan.allocations.rows()

    @property
    def landed_cost(self) -> Decimal:
        """The rounded landed cost."""
        return landed(self.landed_costs)

    def _landed_costs(self, bought: Pieces, vendors: set[str]) -> dict[str, VendorLandedCost]:
        orders: dict[str, list[Purchase]] = {}
        for offer_id, quantity in bought.items():
            offer = self.offers[offer_id]
            if quantity and offer.vendor_code in vendors:
                orders.setdefault(offer.vendor_code, []).append(offer.purchase(quantity))
        return {code: work_out_order(order, self.terms[code]) for code, order in sorted(orders.items())}

    def moved(
        self,
        demanded: Mapping[Portion, int],
        options: Mapping[Portion, list[str]],
        vendors: Iterable[frozenset[str]],
        limits: PlanLimits,
    ) -> ChangedPlan | None:
        """The cheapest of a few plans in which some portions are served by other offers; None when none of them is one.

        The offers that served them are bought less of, or as before with spares (a minimum or a waiver may need it).

        Args:
            needed: pieces by portion.
            options: offers by portion, the ones to take first in front.
            vendors: sets of vendors to try the options of.
            limits: what the plan must keep to.
        """
        tries = product(vendors, (False, True) if limits.allow_spares else (False,))
        found = [moved for allowed, keeps in tries if (moved := self._moved(demanded, options, allowed, keeps, limits))]
        return min(found, key=lambda moved: moved.plan.rank, default=None)

    def _moved(
        self,
        demanded: Mapping[Portion, int],
        options: Mapping[Portion, list[str]],
        vendors: frozenset[str],
        keeps_spares: bool,
        limits: PlanLimits,
    ) -> ChangedPlan | None:
        rows = [row for row in self.allocations if row[:2] not in demanded]
        used: Pieces = {}
        for row in rows:
            used[row[2]] = used.get(row[2], 0) + row[-1]
        touched = {row[2] for row in self.allocations if row[:2] in demanded}
        unfilled = {
            portion: n for *portion_, n in self.plan.unfilled.rows() if (portion := tuple(portion_)) not in demanded
        }
        for portion, quantity in sorted(demanded.items()):
            for offer_id in options.get(portion, []):
                offer = self.offers[offer_id]
                taken = min(quantity, offer.most - used.get(offer_id, 0))
                if offer.vendor_code in vendors and taken > 0:
                    colour = str(offer.facts["colour_code"])
                    rows.append((*portion, offer_id, "", "", colour, taken))
                    used[offer_id] = used.get(offer_id, 0) + taken
                    touched.add(offer_id)
                    quantity -= taken
            if quantity:
                unfilled[portion] = quantity
        bought = dict(self.bought)
        for offer_id in touched:
            needed = self.offers[offer_id].quantity_for(used[offer_id]) if used.get(offer_id) else 0
            if needed is None:
                return None
            bought[offer_id] = max(needed, self.bought.get(offer_id, 0)) if keeps_spares else needed
        if is_beyond_stock(bought, self.offers):
            return None
        return self._priced({code: n for code, n in bought.items() if n}, rows, unfilled, touched, limits)

    def _priced(
        self,
        bought: Pieces,
        rows: list[tuple[Any, ...]],
        unfilled: Mapping[Portion, int],
        touched: set[str],
        limits: PlanLimits,
    ) -> ChangedPlan | None:
        changed = {self.offers[offer_id].vendor_code for offer_id in touched}
        landed_costs = {code: landed_cost for code, landed_cost in self.landed_costs.items() if code not in changed}
        landed_costs |= self._landed_costs(bought, changed)
        if any(landed_cost.broken_rules for landed_cost in landed_costs.values()):
            return None
        if not limits.forced_vendors <= {self.offers[row[2]].vendor_code for row in rows}:
            return None
        if len(landed_costs) > (limits.maximum_vendor_count or len(landed_costs)):
            return None
        plan = replace(
            self.plan,
            purchases=self._purchases(bought),
            allocations=pl.DataFrame(rows, schema=self.plan.allocations.schema, orient="row"),
            unfilled=pl.DataFrame(
                [(*portion, quantity) for portion, quantity in sorted(unfilled.items())],
                schema=self.plan.unfilled.schema,
                orient="row",
            ),
            cost=sum((landed_cost.exact.total for landed_cost in landed_costs.values()), Fraction(0)),
            lower_bound=Fraction(0),
            is_proven=False,
        )
        if plan.spare_count and not limits.allow_spares:
            return None
        return ChangedPlan(plan, landed(landed_costs))

    def _purchases(self, bought: Pieces) -> pl.DataFrame:
        rows = []
        for offer_id, quantity in sorted(bought.items()):
            offer = self.offers[offer_id]
            reported = {"step_from_quantity": offer.step_at(quantity)[0], "unit_price": offer.price(quantity)}
            reported |= {"quantity": quantity, "goods_value": offer.value(quantity)}
            rows.append([{**self.offers[offer_id].facts, **reported}[name] for name in PURCHASE_SCHEMA.names()])
        return pl.DataFrame(rows, schema=PURCHASE_SCHEMA, orient="row")


@dataclass(frozen=True)
class PlanLimits:
    """What a scenario allows of any plan."""

    allow_spares: bool
    maximum_vendor_count: int | None
    forced_vendors: frozenset[str]


@dataclass(frozen=True)
class ChangedPlan:
    """A changed plan and its rounded landed cost."""

    plan: PurchasePlan
    landed_cost: Decimal


def landed(landed_costs: Mapping[str, VendorLandedCost]) -> Decimal:
    """The rounded landed cost of some vendors' orders."""
    return sum((landed_cost.rounded.total for landed_cost in landed_costs.values()), Decimal(0))
