"""Complete costs of orders: landed cost, and the estimates for pieces that can't be bought."""

from __future__ import annotations

from decimal import Decimal

import polars as pl

from pipelines.demand.fitting import PORTION_KEY
from pipelines.insight.replanning.placed_orders import PlacedOrders
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.money import round_money
from pipelines.planning.estimates import KnownPrices, estimates


class CompleteCosts:
    """Costs of orders in one shared market, in the buyer's currency.

    Args:
        shared: the market.
        known: prices seen, for estimates.
    """

    def __init__(self, shared: SharedMarket, known: KnownPrices) -> None:
        self.shared, self.known = shared, known

    def cost(self, orders: PlacedOrders) -> Decimal:
        """Landed cost and the estimates for what is unfilled."""
        return self.shared.pricing.rounded_cost(orders) + self.estimate(orders)

    def estimate(self, orders: PlacedOrders) -> Decimal:
        """The estimates for unfilled pieces; a piece without one counts 0."""
        money = self.shared.buyer.currency_code
        priced = ((price, quantity) for price, quantity in self._estimates(orders) if price is not None)
        return sum((round_money(price * quantity, money) for price, quantity in priced), Decimal(0))

    def unpriced_count(self, orders: PlacedOrders) -> int:
        """Unfilled pieces without an estimate."""
        return sum(quantity for price, quantity in self._estimates(orders) if price is None)

    def _estimates(self, orders: PlacedOrders) -> list[tuple[Decimal | None, int]]:
        missing = dict(orders.unfilled)
        if not missing:
            return []
        keys = pl.DataFrame(list(missing), schema=dict.fromkeys(PORTION_KEY, pl.Int64), orient="row")
        portions = self.shared.portions.join(keys, on=PORTION_KEY, how="semi", maintain_order="left")
        found = estimates(portions, self.shared.fits, self.known, self.shared.scenario)
        rows = found.select(*PORTION_KEY, "estimated_unit_price").iter_rows()
        return [(price, missing[line, number]) for line, number, price in rows]
