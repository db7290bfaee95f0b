"""One-way sensitivity: what a plan costs with one assumption changed, down or up, while all others stay."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.costing.terms_on import TermsBook
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.replanning.changed_assumptions import ChangedAssumptions
from pipelines.insight.replanning.complete_costs import CompleteCosts
from pipelines.insight.replanning.published_plans import EFFORT, PublishedPlan
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.planning.estimates import KnownPrices
from pipelines.planning.purchase_plan import PurchasePlan

Row = dict[str, Any]


@dataclass(frozen=True)
class Sensitivity:
    """One assumption changed one way.

    ``is_planned_anew``: whether the purchases may change. Where they may not, a change falls on all vendors alike, and the
    same purchases are priced.
    """

    assumption: str
    side: str
    words: str
    changes: ChangedAssumptions
    is_planned_anew: bool


def sensitivities_of(published: PublishedPlan, plan_vendors: pl.DataFrame) -> list[Sensitivity]:
    """The changes worth trying on a plan: those that could change it."""
    scenario = published.scenario
    is_abroad = (plan_vendors["vendor_currency_code"] != published.buyer.currency_code).any()
    found = [
        Sensitivity("prices", "down", "10 % lower", ChangedAssumptions(price_pct=Decimal(-10)), False),
        Sensitivity("prices", "up", "10 % higher", ChangedAssumptions(price_pct=Decimal(10)), False),
        Sensitivity("shipping", "down", "25 % cheaper", ChangedAssumptions(shipping_pct=Decimal(-25)), False),
        Sensitivity("shipping", "up", "25 % dearer", ChangedAssumptions(shipping_pct=Decimal(25)), False),
        Sensitivity("tax", "down", "5 points lower", ChangedAssumptions(tax_points=Decimal(-5)), False),
        Sensitivity("tax", "up", "5 points higher", ChangedAssumptions(tax_points=Decimal(5)), False),
    ]
    if is_abroad:
        found += [
            Sensitivity(
                "exchange_rate", "down", "foreign money 5 % cheaper", ChangedAssumptions(rate_pct=Decimal(-5)), False
            ),
            Sensitivity(
                "exchange_rate", "up", "foreign money 5 % dearer", ChangedAssumptions(rate_pct=Decimal(5)), False
            ),
        ]
    if "used" not in scenario.conditions:
        found.append(Sensitivity("condition", "down", "used parts as well", ChangedAssumptions(with_used=True), True))
    if scenario.use_flexibility or scenario.use_substitutes:
        as_listed = ChangedAssumptions(without_flexibility=True, without_substitutes=True)
        found.append(Sensitivity("flexible_lines", "up", "everything as listed", as_listed, True))
    if (plan_vendors["vendor_kind"] == "maker").any():
        found.append(
            Sensitivity("maker", "up", "nothing from the maker's shop", ChangedAssumptions(without_maker=True), True)
        )
    return found


def sensitivity_rows(
    inputs: WorkspaceInputs,
    published: PublishedPlan,
    plan: PurchasePlan,
    book: TermsBook,
    market: pl.DataFrame,
    known: KnownPrices,
    others: Sequence[Mapping[str, pl.DataFrame]],
    variants: pl.DataFrame,
) -> list[Row]:
    """SENSITIVITY rows of one published plan.

    Args:
        inputs: the workspace.
        published: the plan.
        plan: the same as a PurchasePlan.
        book: the vendors' terms.
        market: the offers looked at.
        known: prices seen, for estimates.
        others: rows of other published plans of the model, to start from as well.
        variants: the plan's rows of PLAN_VARIANT, for the cost with one parcel fewer.
    """
    starts = [published.rows, *others]
    cost_row: Mapping[str, Any] = published.rows["model_cost"].row(0, named=True)
    found = [("vendor_count", "up", "one parcel fewer", *fewer) for fewer in _one_parcel_fewer(cost_row, variants)]
    for sensitivity in sensitivities_of(published, published.rows["plan_vendor"]):
        same = None if sensitivity.is_planned_anew else _same_purchases(cost_row, plan, book, sensitivity.changes)
        answer = same or _planned_anew(inputs, published, market, known, starts, sensitivity.changes)
        found.append((sensitivity.assumption, sensitivity.side, sensitivity.words, *answer))
    return [
        {
            **{name: cost_row[name] for name in ("priced_on", "model_code", "scenario_code", "buyer_code")},
            "assumption": assumption,
            "sensitivity_side": side,
            "changed_to": words,
            "currency_code": cost_row["currency_code"],
            "complete_cost": cost,
            "sensitivity_amount": cost - cost_row["complete_cost"],
            "unfilled_piece_count": unfilled,
        }
        for assumption, side, words, cost, unfilled in found
    ]


def _one_parcel_fewer(cost_row: Mapping[str, Any], variants: pl.DataFrame) -> list[tuple[Decimal, int]]:
    """Complete cost and unfilled pieces of the variant with one parcel fewer, if it lacks no other number of pieces."""
    is_needed = (
        (pl.col("variant_kind") == "at_most_vendors")
        & (pl.col("variant_value") == str(cost_row["vendor_count"] - 1))
        & (pl.col("unfilled_piece_count") == cost_row["unfilled_piece_count"])
    )
    rows = variants.filter(is_needed).select("landed_cost", "unfilled_piece_count").rows()
    return [(landed + cost_row["unfilled_estimate"], unfilled) for landed, unfilled in rows]


def _planned_anew(
    inputs: WorkspaceInputs,
    published: PublishedPlan,
    market: pl.DataFrame,
    known: KnownPrices,
    starts: Sequence[Mapping[str, pl.DataFrame]],
    changes: ChangedAssumptions,
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
    cost_row: Mapping[str, Any], plan: PurchasePlan, book: TermsBook, changes: ChangedAssumptions
) -> tuple[Decimal, int] | None:
    """Complete cost and unfilled pieces of the same purchases; None where vendors would not accept them as changed."""
    landed_cost = work_out(changes.in_purchases(plan.purchases), changes.in_terms(book).vendors)
    if landed_cost.broken_rules:
        return None
    return landed_cost.total + cost_row["unfilled_estimate"], cost_row["unfilled_piece_count"]
