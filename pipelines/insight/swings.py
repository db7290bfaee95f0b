"""Which assumption matters most: each changed alone, down and up, while all others stay."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.costing.estimate import KnownPrices
from pipelines.costing.plans import Plan
from pipelines.costing.receipt import work_out
from pipelines.costing.terms_on import TermsBook
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
    scenario = published.scenario
    is_abroad = (plan_vendors["vendor_currency_code"] != published.buyer.currency_code).any()
    found = [
        Swing("prices", "down", "10 % lower", Changes(price_pct=Decimal(-10)), False),
        Swing("prices", "up", "10 % higher", Changes(price_pct=Decimal(10)), False),
        Swing("shipping", "down", "25 % cheaper", Changes(shipping_pct=Decimal(-25)), False),
        Swing("shipping", "up", "25 % dearer", Changes(shipping_pct=Decimal(25)), False),
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
    if scenario.use_freedoms or scenario.use_interchange:
        as_listed = Changes(without_freedoms=True, without_interchange=True)
        found.append(Swing("freedoms", "up", "everything as listed", as_listed, True))
    if (plan_vendors["vendor_kind"] == "counter").any():
        found.append(Swing("counter", "up", "nothing from the counter", Changes(without_counter=True), True))
    return found


def swing_rows(
    inputs: WorkspaceInputs,
    published: PublishedPlan,
    plan: Plan,
    book: TermsBook,
    market: pl.DataFrame,
    known: KnownPrices,
    others: Sequence[Mapping[str, pl.DataFrame]],
    variants: pl.DataFrame,
) -> list[Row]:
    """WHAT_IF_SWING rows of one published plan.

    Args:
        inputs: the workspace.
        published: the plan.
        plan: the same in its own words.
        book: the vendors' terms.
        market: the offers looked at.
        known: prices seen, for estimates.
        others: rows of other published plans of the model, to start from as well.
        variants: the plan's rows of PLAN_VARIANT, for what one parcel fewer costs.
    """
    starts = [published.rows, *others]
    told: Mapping[str, Any] = published.rows["model_cost"].row(0, named=True)
    found = [("vendor_count", "up", "one parcel fewer", *fewer) for fewer in _one_parcel_fewer(told, variants)]
    for swing in swings_of(published, published.rows["plan_vendor"]):
        same = None if swing.is_planned_anew else _same_purchases(told, plan, book, swing.changes)
        answer = same or _planned_anew(inputs, published, market, known, starts, swing.changes)
        found.append((swing.assumption, swing.side, swing.words, *answer))
    return [
        {
            **{name: told[name] for name in ("priced_on", "model_code", "scenario_code", "buyer_code")},
            "assumption": assumption,
            "swing_side": side,
            "changed_to": words,
            "currency_code": told["currency_code"],
            "complete_cost": cost,
            "swing_amount": cost - told["complete_cost"],
            "unfilled_piece_count": unfilled,
        }
        for assumption, side, words, cost, unfilled in found
    ]


def _one_parcel_fewer(told: Mapping[str, Any], variants: pl.DataFrame) -> list[tuple[Decimal, int]]:
    """Complete cost and unfilled pieces of the variant with one vendor fewer, where it buys as many pieces."""
    is_wanted = (
        (pl.col("variant_kind") == "at_most_vendors")
        & (pl.col("variant_value") == str(told["vendor_count"] - 1))
        & (pl.col("unfilled_piece_count") == told["unfilled_piece_count"])
    )
    rows = variants.filter(is_wanted).select("landed_cost", "unfilled_piece_count").rows()
    return [(landed + told["unfilled_estimate"], unfilled) for landed, unfilled in rows]


def _planned_anew(
    inputs: WorkspaceInputs,
    published: PublishedPlan,
    market: pl.DataFrame,
    known: KnownPrices,
    starts: Sequence[Mapping[str, pl.DataFrame]],
    changes: Changes,
) -> tuple[Decimal, int]:
    """Complete cost and unfilled pieces of a plan that starts from the best published one that can still be had."""
    use_stock = published.scenario.use_stock_on_hand
    models = [published.model]
    shared = SharedMarket(
        inputs, models, published.day, published.buyer, published.scenario, market, use_stock, changes
    )
    known_orders = [shared.published_orders(0, rows["plan_purchase"], rows["plan_line"]) for rows in starts]
    orders = shared.together([0], known_orders, EFFORT)
    return CompleteCosts(shared, known).cost(orders), orders.unfilled_count


def _same_purchases(
    told: Mapping[str, Any], plan: Plan, book: TermsBook, changes: Changes
) -> tuple[Decimal, int] | None:
    """Complete cost and unfilled pieces of the same purchases; None where vendors would not accept them as changed."""
    receipt = work_out(changes.in_purchases(plan.purchases), changes.in_terms(book).vendors)
    if receipt.broken_rules:
        return None
    return receipt.landed_cost + told["unfilled_estimate"], told["unfilled_piece_count"]
