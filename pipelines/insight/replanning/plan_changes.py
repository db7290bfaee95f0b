"""Small changes to a purchase plan, priced exactly: some portions' pieces are bought elsewhere, all else stays."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from itertools import product
from typing import Any

import polars as pl

from pipelines.costing.landed_cost import Purchase, VendorLandedCost, work_out_order
from pipelines.costing.terms import VendorTerms
from pipelines.insight.replanning.offers import Offer, Pieces, is_beyond_stock
from pipelines.planning.candidates import Portion
from pipelines.planning.purchase_plan import PURCHASE_SCHEMA, PurchasePlan


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


class ChangeablePlan:
    """A plan whose portions can be bought elsewhere, each change priced by the landed cost of the orders it touches.

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
        return total_cost(self.landed_costs.values())

    def _landed_costs(self, bought: Pieces, vendors: set[str]) -> dict[str, VendorLandedCost]:
        orders: dict[str, list[Purchase]] = {}
        for offer_id, quantity in bought.items():
            offer = self.offers[offer_id]
            if quantity and offer.vendor_code in vendors:
                orders.setdefault(offer.vendor_code, []).append(offer.purchase(quantity))
        return {code: work_out_order(order, self.terms[code]) for code, order in sorted(orders.items())}

    def with_portions_moved(
        self,
        needed: Mapping[Portion, int],
        options: Mapping[Portion, list[str]],
        vendor_sets: Iterable[frozenset[str]],
        limits: PlanLimits,
    ) -> ChangedPlan | None:
        """The cheapest plan found in which some portions are served by other offers; None where none keeps the rules.

        Of the offers that served them fewer pieces are bought, or as many as before, the rest being spares: a minimum or a
        waiver may need them.

        Args:
            needed: pieces by portion, of the portions to move; others stay as they are.
            options: offers by portion, the ones to take first in front; a portion without any is left unfilled.
            vendor_sets: sets of vendors whose offers may be used; each is tried.
            limits: what the plan must keep to.
        """
        tries = product(vendor_sets, (False, True) if limits.allow_spares else (False,))
        found = [moved for allowed, keeps in tries if (moved := self._moved(needed, options, allowed, keeps, limits))]
        return min(found, key=lambda moved: moved.plan.rank, default=None)

    def _moved(
        self,
        needed: Mapping[Portion, int],
        options: Mapping[Portion, list[str]],
        vendors: frozenset[str],
        keeps_spares: bool,
        limits: PlanLimits,
    ) -> ChangedPlan | None:
        rows = [row for row in self.allocations if row[:2] not in needed]
        used: Pieces = {}
        for row in rows:
            used[row[2]] = used.get(row[2], 0) + row[-1]
        touched = {row[2] for row in self.allocations if row[:2] in needed}
        unfilled = {
            portion: n for *portion_, n in self.plan.unfilled.rows() if (portion := tuple(portion_)) not in needed
        }
        for portion, quantity in sorted(needed.items()):
            for offer_id in options.get(portion, []):
                offer = self.offers[offer_id]
                taken = min(quantity, offer.most - used.get(offer_id, 0))
                if offer.vendor_code in vendors and taken > 0:
                    colour = str(offer.columns["colour_code"])
                    rows.append((*portion, offer_id, "", "", colour, taken))
                    used[offer_id] = used.get(offer_id, 0) + taken
                    touched.add(offer_id)
                    quantity -= taken
            if quantity:
                unfilled[portion] = quantity
        bought = dict(self.bought)
        for offer_id in touched:
            least = self.offers[offer_id].quantity_for(used[offer_id]) if used.get(offer_id) else 0
            if least is None:
                return None
            bought[offer_id] = max(least, self.bought.get(offer_id, 0)) if keeps_spares else least
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
        return ChangedPlan(plan, total_cost(landed_costs.values()))

    def _purchases(self, bought: Pieces) -> pl.DataFrame:
        rows = []
        for offer_id, quantity in sorted(bought.items()):
            offer = self.offers[offer_id]
            purchase = {
                **offer.columns,
                "step_from_quantity": offer.step_at(quantity)[0],
                "unit_price": offer.price(quantity),
                "quantity": quantity,
                "goods_value": offer.value(quantity),
            }
            rows.append([purchase[name] for name in PURCHASE_SCHEMA.names()])
        return pl.DataFrame(rows, schema=PURCHASE_SCHEMA, orient="row")


def total_cost(landed_costs: Iterable[VendorLandedCost]) -> Decimal:
    """The rounded landed cost of some orders together."""
    return sum((landed_cost.rounded.total for landed_cost in landed_costs), Decimal(0))
