"""Orders priced by the landed cost, ranked as plans are, and put together where that costs no more."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

from pipelines.costing.landed_cost import VendorLandedCost, work_out_order
from pipelines.costing.order_penalties import penalties_under
from pipelines.costing.terms_on import TermsBook
from pipelines.insight.replanning.offers import Offer, Pieces
from pipelines.insight.replanning.placed_orders import PlacedOrders, added
from pipelines.insight.replanning.plan_changes import total_cost
from pipelines.settings import Scenario


class OrderPricing:
    """Prices orders of pieces by offer; each order is worked out once.

    Args:
        offers: all that may be ordered, by offer_id.
        book: the vendors' terms.
        scenario: its penalty for parcels counts in ranks.
    """

    def __init__(self, offers: Mapping[str, Offer], book: TermsBook, scenario: Scenario) -> None:
        self.offers, self.book, self.scenario = offers, book, scenario
        self._landed_costs: dict[tuple[str, tuple[tuple[str, int], ...]], VendorLandedCost] = {}

    def landed_cost(self, vendor_code: str, pieces: Mapping[str, int]) -> VendorLandedCost:
        """The landed cost of one order."""
        bought = tuple(sorted(pieces.items()))
        if (vendor_code, bought) not in self._landed_costs:
            order = [self.offers[offer_id].purchase(quantity) for offer_id, quantity in bought]
            self._landed_costs[vendor_code, bought] = work_out_order(order, self.book.vendors[vendor_code])
        return self._landed_costs[vendor_code, bought]

    def landed_costs(self, orders: Iterable[tuple[str, Mapping[str, int]]]) -> list[VendorLandedCost]:
        """The landed costs of orders."""
        return [self.landed_cost(vendor, pieces) for vendor, pieces in orders]

    def put_together(self, orders: PlacedOrders) -> PlacedOrders:
        """The same pieces, each vendor's orders put together where the vendor accepts that and it costs no more.

        PlanLimits on the pieces, elements or weight of an order, and duty that begins at a value, keep orders apart.
        """
        merged: list[tuple[str, Mapping[str, int]]] = []
        for vendor, pieces in orders.orders:
            for at, (other, already) in enumerate(merged):
                both = added([already, pieces])
                if other == vendor and self._is_no_dearer(vendor, both, already, pieces):
                    merged[at] = (vendor, both)
                    break
            else:
                merged.append((vendor, pieces))
        return replace(orders, orders=tuple(sorted(merged, key=lambda order: order[0])))

    def _is_no_dearer(self, vendor: str, both: Pieces, first: Mapping[str, int], second: Mapping[str, int]) -> bool:
        if any(quantity > self.offers[offer_id].most for offer_id, quantity in both.items()):
            return False
        landed_cost = self.landed_cost(vendor, both)
        apart = self.landed_cost(vendor, first).exact.total + self.landed_cost(vendor, second).exact.total
        return not landed_cost.broken_rules and landed_cost.exact.total <= apart

    def rank(self, orders: PlacedOrders) -> tuple[int, Fraction, int, int]:
        """What plans minimise, in this order: unfilled pieces, cost with penalties per parcel, parcels, spares."""
        cost = sum((landed_cost.exact.total for landed_cost in self.landed_costs(orders.orders)), Fraction(0))
        penalties = penalties_under(self.scenario).of_all(vendor for vendor, _ in orders.orders)
        return orders.unfilled_count, cost + penalties, len(orders.orders), sum(orders.spares.values())

    def rounded_cost(self, orders: PlacedOrders) -> Decimal:
        """The rounded landed cost of orders."""
        return total_cost(self.landed_costs(orders.orders))
