"""The published rows of one model's plans: model_cost, plan_vendor, plan_purchase, plan_line, unfilled_line.

Every amount of money is the landed cost's, rounded; the plan's exact cost is used for the gap alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.landed_cost import LandedCost, VendorLandedCost
from pipelines.costing.several_orders import order_number_of, vendor_of, with_order_numbers
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import buyers_rate
from pipelines.demand.fitting import PORTION_KEY
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.money import RATE_DIGITS, currency_digits, round_down, round_half_up, round_money
from pipelines.planning.candidates import Portion
from pipelines.planning.purchase_plan import PurchasePlan
from pipelines.settings import Buyer
from schemas.contract import Contract
from schemas.published.plans import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, PLAN_VENDOR, UNFILLED_LINE
from schemas.validate import polars_schema, validate_typed

PLAN_CONTRACTS = (MODEL_COST, PLAN_VENDOR, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE)
Tables = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class PlanContext:
    """What the rows of one model, buyer and date share."""

    inputs: WorkspaceInputs
    model: Model
    day: date
    buyer: Buyer
    effort: str

    @property
    def key(self) -> dict[str, Any]:
        """The values of PLAN_KEY without the scenario's."""
        return {"priced_on": self.day, "model_code": self.model.model_code, "buyer_code": self.buyer.buyer_code}

    def keyed(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame, which has scenario_code, with the rest of the plans' key."""
        return frame.with_columns(*(pl.lit(value).alias(name) for name, value in self.key.items()))


@dataclass(frozen=True)
class CheckedPlan:
    """A plan with its landed cost.

    Attributes:
        portions: PORTIONS_SCHEMA, all that the model needs under the scenario.
        on_hand: ON_HAND_SCHEMA, what stock fills.
        estimated: ESTIMATE_SCHEMA, of the unfilled portions.
        remedies: what would let them be filled, by portion.
        refusal: why the plan must not be used; empty for a sound one. A refused plan buys nothing.
    """

    scenario_code: str
    plan: PurchasePlan
    landed_cost: LandedCost
    portions: pl.DataFrame
    on_hand: pl.DataFrame
    estimated: pl.DataFrame
    remedies: Mapping[Portion, str]
    refusal: str

    def marked(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The frame with the scenario's code."""
        return frame.hstack([pl.Series("scenario_code", [self.scenario_code] * frame.height, dtype=pl.String)])


def plan_tables(context: PlanContext, checked: Sequence[CheckedPlan], terms: Mapping[str, VendorTerms]) -> Tables:
    """The rows of the plans of all scenarios by table name, typed as their contracts say and sorted by their keys.

    A refused plan is published as one that buys nothing: every piece is unfilled, its whole cost is an estimate, its status is
    ``refused``, and every unfilled line states why.

    Args:
        context: what the rows share.
        checked: the plans and their landed costs.
        terms: of the vendors that are bought from.
    """
    unfilled = {each.scenario_code: _unfilled_rows(context, each) for each in checked}
    names = dict(context.inputs.tables["vendors"].select("vendor_code", "vendor_name").iter_rows())
    rows: list[tuple[Contract, list[dict[str, Any]]]] = [
        (MODEL_COST, [_model_cost(context, each, unfilled[each.scenario_code]) for each in checked]),
        (PLAN_VENDOR, [row for each in checked for row in _vendor_rows(each, terms, names)]),
        (UNFILLED_LINE, [row for each in checked for row in unfilled[each.scenario_code]]),
    ]
    frames = {
        **{
            contract.name: context.keyed(pl.DataFrame(found, schema=polars_schema(contract), orient="row"))
            for contract, found in rows
        },
        PLAN_PURCHASE.name: context.keyed(_purchase_rows(checked)),
        PLAN_LINE.name: context.keyed(_line_rows(checked)),
    }
    return {
        contract.name: frames[contract.name]
        .select(pl.col(name).cast(kind) for name, kind in polars_schema(contract).items())
        .sort(contract.key)
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


def checked_by_contracts(tables: Tables, where: str) -> Tables:
    """The tables, each checked against its contract.

    Raises:
        InputError: a row breaks it.
    """
    return {contract.name: validate_typed(contract, tables[contract.name], where=where) for contract in PLAN_CONTRACTS}


def _model_cost(context: PlanContext, checked: CheckedPlan, unfilled: list[dict[str, Any]]) -> dict[str, Any]:
    plan, parts, money = checked.plan, checked.landed_cost.rounded, context.buyer.currency_code
    landed = checked.landed_cost.total
    estimate = sum((row["unfilled_estimate"] for row in unfilled), Decimal(0))
    return {
        "scenario_code": checked.scenario_code,
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
        "element_count": len(set(plan.purchases.select("part_code", "colour_code").iter_rows())),
        "piece_count": checked.portions["quantity"].sum(),
        "on_hand_piece_count": checked.on_hand["quantity"].sum(),
        "spare_piece_count": plan.spare_count,
        "unfilled_piece_count": plan.unfilled["quantity"].sum(),
        "unfilled_estimate_count": sum(
            row["unfilled_piece_count"] for row in unfilled if row["estimated_unit_price"] is None
        ),
        "oldest_offer_on": plan.purchases["last_confirmed_on"].min(),
        "effort": context.effort,
    }


def _status(checked: CheckedPlan) -> str:
    if checked.refusal:
        return "refused"
    if checked.plan.unfilled.height:
        return "partial"
    return "proven" if checked.plan.is_proven else "bounded"


def gap_pct(cost: Fraction, lower_bound: Fraction) -> float:
    """How far the cost lies above the bound, in per cent of it; infinite above a bound of 0."""
    if cost <= lower_bound:
        return 0.0
    return float(100 * (cost - lower_bound) / lower_bound) if lower_bound > 0 else float("inf")


def instructions_cost(context: PlanContext) -> Decimal | None:
    """The instructions' price less each discount of the day, in the buyer's currency; None where it is not known."""
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


def _vendor_rows(
    checked: CheckedPlan, terms: Mapping[str, VendorTerms], names: Mapping[str, str]
) -> list[dict[str, Any]]:
    return [
        {
            "scenario_code": checked.scenario_code,
            "vendor_code": vendor_of(order.vendor_code),
            "order_number": order_number_of(order.vendor_code),
            "vendor_name": names[vendor_of(order.vendor_code)],
            "vendor_kind": terms[order.vendor_code].vendor_kind,
            "currency_code": order.buyer_currency_code,
            "goods": order.rounded.goods,
            "shipping": order.rounded.shipping,
            "handling": order.rounded.handling,
            "tax": order.rounded.tax,
            "landed_cost": order.rounded.total,
            **charged_amounts(order),
            "element_count": order.element_count,
            "bought_piece_count": order.piece_count,
        }
        for order in checked.landed_cost.vendors
    ]


def charged_amounts(order: VendorLandedCost) -> dict[str, Any]:
    """What a vendor charges for an order, as its basket shows it, and what leads from there to the landed cost."""
    basket = order.basket
    return {
        "border_charges": order.rounded_border,
        "vendor_currency_code": order.currency_code,
        "vendor_goods_value": order.rounded_goods_value,
        "vendor_discount": order.rounded_goods_value - basket.goods,
        "vendor_shipping": basket.shipping,
        "vendor_handling": basket.handling,
        "vendor_tax": basket.tax,
        "vendor_total": basket.total,
        "exchange_rate_used": round_half_up(order.terms.rate, RATE_DIGITS),
    }


def _purchase_rows(checked: Sequence[CheckedPlan]) -> pl.DataFrame:
    rows = pl.concat([each.marked(each.plan.purchases) for each in checked])
    used = [
        each.plan.pieces_used.get(offer_id, 0)
        for each in checked
        for offer_id in each.plan.purchases["offer_id"].to_list()
    ]
    return (
        with_order_numbers(rows)
        .with_columns(
            pl.Series("used_piece_count", used, dtype=pl.Int64),
            pl.col("goods_value").alias("purchase_value"),
        )
        .with_columns(
            pl.col("quantity").alias("bought_piece_count"),
            (pl.col("quantity") - pl.col("used_piece_count")).alias("spare_piece_count"),
            pl.col("currency_code").alias("vendor_currency_code"),
        )
    )


def _line_rows(checked: Sequence[CheckedPlan]) -> pl.DataFrame:
    allocations = pl.concat([each.marked(each.plan.allocations) for each in checked])
    purchases = pl.concat([each.marked(each.plan.purchases) for each in checked])
    bought = allocations.drop("colour_code").join(
        purchases.drop("quantity").with_columns(pl.col("currency_code").alias("vendor_currency_code")),
        on=["scenario_code", "offer_id"],
    )
    on_hand = pl.concat([each.marked(each.on_hand) for each in checked]).with_columns(
        *(pl.lit("").alias(name) for name in ("vendor_code", "offer_id", "listing_code", "combination_code")),
        pl.lit(None, dtype=pl.String).alias("vendor_currency_code"),
        pl.lit(None, dtype=pl.Decimal(18, 6)).alias("unit_price"),
    )
    common = [
        "scenario_code", *PORTION_KEY, "vendor_code", "offer_id", "part_code", "colour_code", "condition", "listing_code",
        "combination_code", "quantity", "unit_price", "vendor_currency_code",
    ]  # fmt: skip
    listed = pl.concat([each.marked(each.portions.drop("quantity")) for each in checked])
    is_listed_part = (pl.col("part_code") == pl.col("listed_part_code")) & (pl.col("combination_code") == "")
    return (
        with_order_numbers(pl.concat([bought.select(common), on_hand.select(common)]))
        .join(listed, on=["scenario_code", *PORTION_KEY])
        .with_columns(
            (pl.col("colour_code") == pl.col("listed_colour_code")).alias("is_listed_colour"),
            is_listed_part.alias("is_listed_part"),
        )
    )


def _unfilled_rows(context: PlanContext, checked: CheckedPlan) -> list[dict[str, Any]]:
    rows = checked.plan.unfilled.join(checked.estimated, on=PORTION_KEY, how="left").join(
        checked.portions.drop("quantity"), on=PORTION_KEY
    )
    money = context.buyer.currency_code
    return [
        {
            "scenario_code": checked.scenario_code,
            **{name: row[name] for name in (*PORTION_KEY, "listed_part_code", "listed_colour_code")},
            "unfilled_piece_count": row["quantity"],
            "estimated_unit_price": row["estimated_unit_price"],
            "unfilled_estimate": round_money((row["estimated_unit_price"] or 0) * row["quantity"], money),
            "estimate_basis": row["estimate_basis"] or "none",
            "remedies": checked.refusal or checked.remedies.get((row["line_number"], row["portion_number"]), ""),
        }
        for row in rows.iter_rows(named=True)
    ]
