"""The published rows of one plan: model_cost, plan_vendor, plan_purchase, plan_line, unfilled_line.

Every amount of money comes from the receipt, rounded; the plan's exact cost serves the gap alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.fitting import PORTION_KEY
from pipelines.costing.plans import Plan
from pipelines.costing.receipt import Receipt
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import buyers_rate
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.money import currency_digits, round_down, round_half_up, round_money
from pipelines.settings import Buyer, Scenario
from schemas.published import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, PLAN_VENDOR, UNFILLED_LINE
from schemas.validate import polars_schema, validate_typed

PLAN_CONTRACTS = (MODEL_COST, PLAN_VENDOR, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE)
Tables = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class PlanContext:
    """What the rows of one plan share."""

    inputs: WorkspaceInputs
    model: Model
    day: date
    buyer: Buyer
    scenario: Scenario
    effort: str

    @property
    def key(self) -> dict[str, Any]:
        """The values of PLAN_KEY."""
        return {
            "priced_on": self.day,
            "model_code": self.model.model_code,
            "scenario_code": self.scenario.scenario_code,
            "buyer_code": self.buyer.buyer_code,
        }

    def keyed(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame with the plan's key."""
        return frame.with_columns(*(pl.lit(value).alias(name) for name, value in self.key.items()))


@dataclass(frozen=True)
class CheckedPlan:
    """A plan with its receipt.

    Attributes:
        portions: PORTIONS_SCHEMA of demand.py: all the model wants under the scenario.
        on_hand: ON_HAND_SCHEMA of stock_on_hand.py.
        refusal: why the plan must not be used; empty for a sound one. A refused plan buys nothing.
    """

    plan: Plan
    receipt: Receipt
    portions: pl.DataFrame
    on_hand: pl.DataFrame
    refusal: str = ""


def plan_tables(
    context: PlanContext,
    checked: CheckedPlan,
    terms: Mapping[str, VendorTerms],
    estimated: pl.DataFrame,
    helps: Mapping[tuple[int, int], str],
) -> Tables:
    """The rows of one plan by table name, typed as their contracts say.

    A refused plan is published as one that buys nothing: every piece is unfilled, its cost is all estimate, its status is
    ``refused`` and every unfilled line says why.

    Args:
        context: what the rows share.
        checked: the plan and its receipt.
        terms: of the vendors bought from.
        estimated: ESTIMATE_SCHEMA of estimate.py for the unfilled portions.
        helps: what would help them.
    """
    unfilled = _unfilled_rows(context, checked, estimated, helps)
    frames = {
        MODEL_COST.name: _model_cost(context, checked, unfilled),
        PLAN_VENDOR.name: _vendor_rows(context, checked, terms),
        PLAN_PURCHASE.name: _purchase_rows(context, checked.plan),
        PLAN_LINE.name: _line_rows(context, checked),
        UNFILLED_LINE.name: unfilled,
    }
    return {
        contract.name: frames[contract.name].select(contract.columns).cast(polars_schema(contract))
        for contract in PLAN_CONTRACTS
    }


def empty_tables() -> Tables:
    """The five tables without rows."""
    return {contract.name: pl.DataFrame(schema=polars_schema(contract)) for contract in PLAN_CONTRACTS}


def together(tables: list[Tables]) -> Tables:
    """Many plans' tables as one of each, sorted by their keys."""
    return {
        contract.name: pl.concat([empty_tables()[contract.name], *(each[contract.name] for each in tables)]).sort(
            contract.key
        )
        for contract in PLAN_CONTRACTS
    }


def held_to_contracts(tables: Tables, where: str) -> Tables:
    """The tables, each held to its contract.

    Raises:
        InputError: a row breaks it.
    """
    return {contract.name: validate_typed(contract, tables[contract.name], where=where) for contract in PLAN_CONTRACTS}


def _model_cost(context: PlanContext, checked: CheckedPlan, unfilled: pl.DataFrame) -> pl.DataFrame:
    plan, parts, money = checked.plan, checked.receipt.rounded, context.buyer.currency_code
    landed = checked.receipt.landed_cost
    estimate = sum(unfilled["unfilled_estimate"], Decimal(0))
    without_estimate = unfilled.filter(pl.col("estimated_unit_price").is_null())
    row = {
        **context.key,
        "model_title": context.model.settings.title,
        "list_version": context.model.settings.version_on(context.day),
        "copy_count": context.model.settings.copy_count,
        "currency_code": money,
        "plan_status": _status(checked),
        "goods": parts.goods,
        "shipping": parts.shipping,
        "handling": parts.handling,
        "tax": parts.tax,
        "landed_cost": landed,
        "unfilled_estimate": estimate,
        "complete_cost": landed + estimate,
        "instructions_cost": instructions_cost(context),
        "lower_bound": min(round_down(plan.lower_bound, currency_digits(money)), landed),
        "gap_pct": gap_pct(plan.cost, plan.lower_bound),
        "vendor_count": plan.vendor_count,
        "element_count": plan.purchases.select("part_code", "colour_code").n_unique(),
        "piece_count": checked.portions["quantity"].sum(),
        "on_hand_piece_count": checked.on_hand["quantity"].sum(),
        "spare_piece_count": plan.spare_count,
        "unfilled_piece_count": plan.unfilled["quantity"].sum(),
        "unfilled_estimate_count": without_estimate["unfilled_piece_count"].sum(),
        "oldest_offer_on": plan.purchases["last_confirmed_on"].min(),
        "effort": context.effort,
    }
    return pl.DataFrame([row], schema=polars_schema(MODEL_COST), orient="row")


def _status(checked: CheckedPlan) -> str:
    if checked.refusal:
        return "refused"
    if checked.plan.unfilled.height:
        return "partial"
    return "proven" if checked.plan.is_proven else "bounded"


def gap_pct(cost: Fraction, lower_bound: Fraction) -> float:
    """How far the cost lies above the bound, in per cent of it; infinite above a bound of nothing."""
    if cost <= lower_bound:
        return 0.0
    return float(100 * (cost - lower_bound) / lower_bound) if lower_bound > 0 else float("inf")


def instructions_cost(context: PlanContext) -> Decimal | None:
    """List price times (1 - discount) for each discount of the day, in the buyer's currency; None where unknown."""
    instructions = context.model.settings.instructions
    if instructions is None:
        return None
    rate = buyers_rate(context.inputs, instructions.currency_code, context.day, context.buyer)
    if rate is None:
        return None
    price = Fraction(instructions.price)
    for discount in instructions.discounts:
        if discount.from_on <= context.day <= discount.to_on:
            price *= 1 - Fraction(discount.pct) / 100
    return round_money(price * rate, context.buyer.currency_code)


def _vendor_rows(context: PlanContext, checked: CheckedPlan, terms: Mapping[str, VendorTerms]) -> pl.DataFrame:
    names = dict(context.inputs.tables["vendors"].select("vendor_code", "vendor_name").iter_rows())
    rows = [
        {
            **context.key,
            "vendor_code": order.vendor_code,
            "vendor_name": names[order.vendor_code],
            "vendor_kind": terms[order.vendor_code].vendor_kind,
            "currency_code": order.buyer_currency_code,
            "goods": order.rounded.goods,
            "shipping": order.rounded.shipping,
            "handling": order.rounded.handling,
            "tax": order.rounded.tax,
            "landed_cost": order.rounded.total,
            "vendor_currency_code": order.currency_code,
            "vendor_total": order.charged.total,
            "exchange_rate_used": round_half_up(terms[order.vendor_code].rate, 6),
            "element_count": order.element_count,
            "bought_piece_count": order.piece_count,
        }
        for order in checked.receipt.vendors
    ]
    return pl.DataFrame(rows, schema=polars_schema(PLAN_VENDOR), orient="row")


def _purchase_rows(context: PlanContext, plan: Plan) -> pl.DataFrame:
    used = plan.allocations.group_by("offer_id").agg(pl.col("quantity").sum().alias("used_piece_count"))
    rows = plan.purchases.join(used, on="offer_id", how="left", maintain_order="left").with_columns(
        pl.col("used_piece_count").fill_null(0)
    )
    values = [
        round_money(Fraction(price) * quantity, currency)
        for price, quantity, currency in rows.select("unit_price", "quantity", "currency_code").iter_rows()
    ]
    return context.keyed(
        rows.with_columns(
            pl.col("quantity").alias("bought_piece_count"),
            (pl.col("quantity") - pl.col("used_piece_count")).alias("spare_piece_count"),
            pl.col("currency_code").alias("vendor_currency_code"),
            pl.Series("purchase_value", values, dtype=pl.Decimal(18, 4)),
        )
    )


def _line_rows(context: PlanContext, checked: CheckedPlan) -> pl.DataFrame:
    bought = checked.plan.allocations.drop("colour_code").join(
        checked.plan.purchases.drop("quantity").with_columns(pl.col("currency_code").alias("vendor_currency_code")),
        on="offer_id",
    )
    on_hand = checked.on_hand.with_columns(
        *(pl.lit("").alias(name) for name in ("vendor_code", "offer_id", "listing_code", "make_up_code")),
        pl.lit(None, dtype=pl.String).alias("vendor_currency_code"),
        pl.lit(None, dtype=pl.Decimal(18, 6)).alias("unit_price"),
    )
    common = [
        *PORTION_KEY, "vendor_code", "offer_id", "part_code", "colour_code", "condition", "listing_code", "make_up_code",
        "quantity", "unit_price", "vendor_currency_code",
    ]  # fmt: skip
    listed = checked.portions.drop("quantity")
    served = pl.concat([bought.select(common), on_hand.select(common)]).join(listed, on=PORTION_KEY)
    is_listed_part = (pl.col("part_code") == pl.col("listed_part_code")) & (pl.col("make_up_code") == "")
    return context.keyed(
        served.with_columns(
            (pl.col("colour_code") == pl.col("listed_colour_code")).alias("is_listed_colour"),
            is_listed_part.alias("is_listed_part"),
        )
    )


def _unfilled_rows(
    context: PlanContext, checked: CheckedPlan, estimated: pl.DataFrame, helps: Mapping[tuple[int, int], str]
) -> pl.DataFrame:
    rows = checked.plan.unfilled.join(estimated, on=PORTION_KEY, how="left").join(
        checked.portions.drop("quantity"), on=PORTION_KEY
    )
    money = context.buyer.currency_code
    built = [
        {
            **context.key,
            **{name: row[name] for name in (*PORTION_KEY, "listed_part_code", "listed_colour_code")},
            "unfilled_piece_count": row["quantity"],
            "estimated_unit_price": row["estimated_unit_price"],
            "unfilled_estimate": round_money((row["estimated_unit_price"] or 0) * row["quantity"], money),
            "estimate_basis": row["estimate_basis"] or "none",
            "what_would_help": checked.refusal or helps.get((row["line_number"], row["portion_number"]), ""),
        }
        for row in rows.iter_rows(named=True)
    ]
    return pl.DataFrame(built, schema=polars_schema(UNFILLED_LINE), orient="row")
