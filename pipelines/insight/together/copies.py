"""What several copies of a model cost when bought at once."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.replanning.complete_costs import CompleteCosts
from pipelines.insight.replanning.placed_orders import PlacedOrders
from pipelines.insight.replanning.published_plans import EFFORT, PublishedPlan
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.money import round_money
from pipelines.planning.estimates import KnownPrices

Row = dict[str, Any]


def copy_cost_rows(
    inputs: WorkspaceInputs, published: PublishedPlan, market: pl.DataFrame, known: KnownPrices
) -> list[Row]:
    """COPY_COST rows of one published plan, for the numbers of copies in the settings and the model's own number.

    Planning for another number starts from the published plan with its pieces multiplied, as far as stock allows.

    Args:
        inputs: the workspace.
        published: the plan.
        market: the offers looked at.
        known: prices seen, for estimates.
    """
    plan = published.rows["model_cost"].row(0, named=True)
    own = published.model.settings.copy_count
    money = published.buyer.currency_code
    rows = []
    for copies in sorted({own, *inputs.settings.refresh.copy_counts}):
        if copies == own:
            figures = {name: plan[name] for name in _OF_PLAN}
        else:
            figures = _planned(inputs, published, market, known, copies)
        rows.append(
            {
                **{name: plan[name] for name in ("priced_on", "model_code", "scenario_code", "buyer_code")},
                "copies": copies,
                "currency_code": money,
                **figures,
                "cost_per_copy": round_money(Fraction(figures["complete_cost"]) / copies, money),
            }
        )
    return rows


_OF_PLAN = (
    "landed_cost", "unfilled_estimate", "complete_cost", "vendor_count", "unfilled_piece_count",
    "unfilled_estimate_count", "effort",
)  # fmt: skip


def _planned(
    inputs: WorkspaceInputs, published: PublishedPlan, market: pl.DataFrame, known: KnownPrices, copies: int
) -> Row:
    settings = published.model.settings
    model: Model = replace(published.model, settings=settings.model_copy(update={"copy_count": copies}))
    scenario = published.scenario
    shared = SharedMarket(inputs, [model], published.day, published.buyer, scenario, market, scenario.use_stock_on_hand)
    start = shared.published_orders(0, published.rows["plan_purchase"], published.rows["plan_line"])
    orders = shared.together([0], [_times(start, Fraction(copies, settings.copy_count))], EFFORT)
    costs = CompleteCosts(shared, known)
    landed, estimate = shared.pricing.rounded_cost(orders), costs.estimate(orders)
    return {
        "landed_cost": landed,
        "unfilled_estimate": estimate,
        "complete_cost": landed + estimate,
        "vendor_count": len({vendor for vendor, _ in orders.orders}),
        "unfilled_piece_count": orders.unfilled_count,
        "unfilled_estimate_count": costs.unpriced_count(orders),
        "effort": EFFORT,
    }


def _times(orders: PlacedOrders, factor: Fraction) -> PlacedOrders:
    """The orders with all pieces multiplied, rounded up: a start, cut later to what is needed and on offer."""
    return PlacedOrders(
        tuple((vendor, {offer: _up(n, factor) for offer, n in pieces.items()}) for vendor, pieces in orders.orders),
        tuple((*row[:6], _up(row[6], factor)) for row in orders.served),
    )


def _up(pieces: int, factor: Fraction) -> int:
    return -int(-pieces * factor // 1)
