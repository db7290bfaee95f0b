"""Which assumption matters most: each changed alone, down and up, while all others stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.costing.estimate import KnownPrices
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.changes import Changes
from pipelines.insight.complete_costs import CompleteCosts
from pipelines.insight.published_plans import EFFORT, PublishedPlan
from pipelines.insight.shared_buying import SharedMarket

Row = dict[str, Any]


@dataclass(frozen=True)
class Swing:
    """One assumption changed one way.

    ``is_planned_anew``: the purchases may change; otherwise the same ones are priced as changed, because what changes falls on
    all vendors alike.
    """

    assumption: str
    side: str
    words: str
    changes: Changes
    is_planned_anew: bool


def swings_of(published: PublishedPlan, plan_vendors: pl.DataFrame) -> list[Swing]:
    """The changes worth trying on a plan: those that could change it."""
    scenario, vendor_count = published.scenario, plan_vendors.height
    is_abroad = (plan_vendors["vendor_currency_code"] != published.buyer.currency_code).any()
    found = [
        Swing("prices", "down", "10 % lower", Changes(price_pct=Decimal(-10)), False),
        Swing("prices", "up", "10 % higher", Changes(price_pct=Decimal(10)), False),
        Swing("shipping", "down", "25 % cheaper", Changes(shipping_pct=Decimal(-25)), True),
        Swing("shipping", "up", "25 % dearer", Changes(shipping_pct=Decimal(25)), True),
        Swing("tax", "down", "5 points lower", Changes(tax_points=Decimal(-5)), False),
        Swing("tax", "up", "5 points higher", Changes(tax_points=Decimal(5)), False),
    ]
    if is_abroad:
        found += [
            Swing("exchange_rate", "down", "foreign money 5 % cheaper", Changes(rate_pct=Decimal(-5)), False),
            Swing("exchange_rate", "up", "foreign money 5 % dearer", Changes(rate_pct=Decimal(5)), False),
        ]
    if "used" not in scenario.conditions:
        found.append(Swing("condition", "down", "used parts as well", Changes(with_used=True), True))
    if vendor_count > 1:
        fewer = Changes(maximum_vendor_count=vendor_count - 1)
        found.append(Swing("vendor_count", "up", "one parcel fewer", fewer, True))
    if scenario.use_freedoms or scenario.use_interchange:
        as_listed = Changes(without_freedoms=True, without_interchange=True)
        found.append(Swing("freedoms", "up", "everything as listed", as_listed, True))
    if (plan_vendors["vendor_kind"] == "counter").any():
        found.append(Swing("counter", "up", "nothing from the counter", Changes(without_counter=True), True))
    return found


def swing_rows(
    inputs: WorkspaceInputs, published: PublishedPlan, market: pl.DataFrame, known: KnownPrices
) -> list[Row]:
    """WHAT_IF_SWING rows of one published plan.

    Args:
        inputs: the workspace.
        published: the plan.
        market: the offers looked at.
        known: prices seen, for estimates.
    """
    plan: Mapping[str, Any] = published.rows["model_cost"].row(0, named=True)
    rows = []
    for swing in swings_of(published, published.rows["plan_vendor"]):
        found = _changed(inputs, published, market, known, swing)
        if found is not None:
            cost, unfilled = found
            rows.append(
                {
                    **{name: plan[name] for name in ("priced_on", "model_code", "scenario_code", "buyer_code")},
                    "assumption": swing.assumption,
                    "swing_side": swing.side,
                    "changed_to": swing.words,
                    "currency_code": plan["currency_code"],
                    "complete_cost": cost,
                    "swing_amount": cost - plan["complete_cost"],
                    "unfilled_piece_count": unfilled,
                }
            )
    return rows


def _changed(
    inputs: WorkspaceInputs, published: PublishedPlan, market: pl.DataFrame, known: KnownPrices, swing: Swing
) -> tuple[Decimal, int] | None:
    """Complete cost and unfilled pieces; None where the same purchases would not be accepted as changed."""
    scenario = published.scenario
    shared = SharedMarket(
        inputs,
        [published.model],
        published.day,
        published.buyer,
        scenario,
        market,
        scenario.use_stock_on_hand,
        swing.changes,
    )
    plan = published.rows["model_cost"].row(0, named=True)
    start = shared.published_orders(0, published.rows["plan_purchase"], published.rows["plan_line"])
    if swing.is_planned_anew:
        orders = shared.together([0], [start], EFFORT)
        return CompleteCosts(shared, known).cost(orders), orders.unfilled_count
    if any(receipt.broken_rules for receipt in shared.receipts(start.orders)) or not start.orders:
        return None
    return shared.landed_cost(start) + plan["unfilled_estimate"], plan["unfilled_piece_count"]
