"""What stands behind a model's sheet: how good the plans are, what is bought where, and what could not be."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl

from pipelines.costing.terms_on import terms_on
from pipelines.reporting.buying import buying_of
from pipelines.reporting.facts import Facts, ReportedModel, Row, gap_amount, is_usable
from pipelines.reporting.freedoms import freedoms_of
from pipelines.reporting.order_lists import order_folder, workbook_name
from pipelines.reporting.orders_together import joint_purchases
from pipelines.reporting.sheets import age
from pipelines.reporting.tables import (
    NOTHING,
    Link,
    Table,
    certainty,
    columns,
    count,
    day,
    gap,
    money,
    number,
    percent,
    unit_price,
)
from pipelines.reporting.variants import why_this_plan
from pipelines.reporting.words import ESTIMATE_BASES, PRIVATE, with_order
from pipelines.settings import Buyer
from pipelines.trends.movers import movers
from schemas.published import (
    ELEMENT_PRICE,
    PLAN_PURCHASE,
    PLAN_VENDOR,
    UNFILLED_LINE,
    VENDOR_EXPORT,
)
from schemas.validate import empty_frame

OLDEST_COUNT = 10
"""Oldest offers listed."""


def evidence(facts: Facts, model: ReportedModel) -> dict[str, Any]:
    """Everything the template of a model's evidence page shows."""
    return {
        "model": model,
        "page_title": f"{model.title}: evidence",
        "today": day(facts.today),
        "private": PRIVATE if model.publish_lines != "all" else "",
        "sections": [section for buyer in facts.buyers if (section := _for_buyer(facts, model, buyer)) is not None],
    }


def _for_buyer(facts: Facts, model: ReportedModel, buyer: Buyer) -> dict[str, Any] | None:
    plans = facts.plans(model.code, buyer.buyer_code)
    if not plans:
        return None
    return {
        "buyer": buyer,
        "plans": _plans_table(facts, plans, buyer),
        "details": _details(facts, plans),
        "freedoms": freedoms_of(facts, model, buyer, in_full=True),
        "buying": buying_of(facts, model, buyer, in_full=True),
        "together": joint_purchases(facts, model, buyer),
        "oldest": _oldest_table(facts, plans),
        "left_out": _left_out_table(facts, buyer),
        "movers": _movers_table(facts, model, buyer),
    }


def _plans_table(facts: Facts, plans: list[Row], buyer: Buyer) -> Table:
    rows = []
    for plan in plans:
        code = plan["currency_code"]
        rows.append(
            (
                facts.scenario_title(plan["scenario_code"]),
                money(plan["landed_cost"], code),
                money(plan["lower_bound"], code),
                money(gap_amount(plan), code),
                gap(plan["gap_pct"]),
                count(plan["unfilled_piece_count"]),
                plan["plan_status"],
                certainty(plan["plan_status"], plan["gap_pct"]),
                plan["effort"],
            )
        )
    headings = columns(
        "Way of buying", "#Landed cost", "#Lower bound", "#Gap", "#Gap in %", "#Missing pieces", "Status", "In words",
        "Effort",
    )  # fmt: skip
    return Table(f"How good the plans are, in {buyer.currency_code}", headings, tuple(rows), is_stacked=True)


def _details(facts: Facts, plans: list[Row]) -> list[dict[str, Any]]:
    """Each plan in full; of plans that place the very same orders, and lack the same, the first one."""
    found: list[dict[str, Any]] = []
    for plan in plans:
        details = _plan_details(facts, plan)
        told = (details["vendors"], details["purchases"], details["unfilled"])
        same = next((each for each in found if each["told"] == told and each["vendors"]), None)
        if same is not None:
            details |= {"vendors": None, "purchases": None, "unfilled": None, "same_as": same["title"]}
        found.append({**details, "told": told})
    return found


def _plan_details(facts: Facts, plan: Row) -> dict[str, Any]:
    folder = "../" + order_folder(plan)
    return {
        "title": facts.scenario_title(plan["scenario_code"]),
        "same_as": "",
        "vendors": _vendors_table(facts, plan),
        "purchases": _purchases_table(facts, plan),
        "unfilled": _unfilled_table(facts, plan),
        "why": why_this_plan(facts, plan),
        "orders": Link("Order lists of this plan (spreadsheet)", f"{folder}/{workbook_name(plan)}")
        if is_usable(plan) and facts.rows_of(PLAN_VENDOR, plan).height
        else None,
    }


def _vendors_table(facts: Facts, plan: Row) -> Table | None:
    own_code = plan["currency_code"]
    rows = tuple(
        (
            with_order(row["vendor_name"], row) + (" (counter)" if row["vendor_kind"] == "counter" else ""),
            count(row["element_count"]),
            count(row["bought_piece_count"]),
            *(money(row[name], own_code) for name in ("goods", "shipping", "handling", "tax", "landed_cost")),
            money(row["vendor_total"], row["vendor_currency_code"], with_code=True),
            NOTHING if row["vendor_currency_code"] == own_code else f"{row['exchange_rate_used'].normalize():f}",
        )
        for row in facts.rows_of(PLAN_VENDOR, plan).iter_rows(named=True)
    )
    headings = columns(
        "Vendor", "#Elements", "#Pieces", "#Parts", "#Shipping", "#Handling", "#Tax", "#Landed cost",
        "#Vendor's total", "#Exchange rate",
    )  # fmt: skip
    return Table(f"Vendors, in {own_code}", headings, rows) if rows else None


def _purchases_table(facts: Facts, plan: Row) -> Table | None:
    vendors = facts.vendor_names()
    rows = tuple(
        (
            with_order(vendors.get(row["vendor_code"], row["vendor_code"]), row),
            facts.part_name(row["part_code"]),
            facts.colour_name(row["colour_code"]),
            row["condition"],
            count(row["bought_piece_count"]),
            count(row["spare_piece_count"]),
            unit_price(row["unit_price"], row["vendor_currency_code"]),
            money(row["purchase_value"], row["vendor_currency_code"], with_code=True),
        )
        for row in facts.rows_of(PLAN_PURCHASE, plan).iter_rows(named=True)
    )
    headings = columns("Vendor", "Part", "Colour", "Condition", "#Pieces", "#Spare", "#Unit price", "#Value")
    return Table("What is bought from each vendor", headings, rows) if rows else None


def _unfilled_table(facts: Facts, plan: Row) -> Table | None:
    code = plan["currency_code"]
    rows = tuple(
        (
            f"{facts.part_name(row['listed_part_code'])}, {facts.colour_name(row['listed_colour_code'])}",
            f"{row['line_number']}.{row['portion_number']}",
            count(row["unfilled_piece_count"]),
            number(row["estimated_unit_price"], 4),
            money(row["unfilled_estimate"], code) if row["estimate_basis"] != "none" else NOTHING,
            ESTIMATE_BASES[row["estimate_basis"]],
            row["what_would_help"] or NOTHING,
        )
        for row in facts.rows_of(UNFILLED_LINE, plan).iter_rows(named=True)
    )
    headings = columns(
        "Listed as", "#Line.portion", "#Missing pieces", "#Estimated unit price", "#Estimate", "Estimated from",
        "What would help",
    )  # fmt: skip
    return Table(f"What can't be bought, in {code}", headings, rows, is_stacked=True) if rows else None


def _oldest_table(facts: Facts, plans: list[Row]) -> Table | None:
    """Offers of today's plans that were confirmed longest ago; none where all are of today."""
    bought = pl.concat([empty_frame(PLAN_PURCHASE), *(facts.rows_of(PLAN_PURCHASE, plan) for plan in plans)])
    offers = bought.select("offer_id", "vendor_code", "part_code", "colour_code").unique()
    older = facts.last_confirmed.filter(pl.col("last_confirmed_on") < facts.today)
    found = offers.join(older, on="offer_id").sort("last_confirmed_on", "offer_id").head(OLDEST_COUNT)
    if not found.height or facts.today is None:
        return None
    vendors = facts.vendor_names()
    rows = tuple(
        (
            f"{facts.part_name(row['part_code'])}, {facts.colour_name(row['colour_code'])}",
            vendors.get(row["vendor_code"], row["vendor_code"]),
            day(row["last_confirmed_on"]),
            age(row["last_confirmed_on"], facts.today),
        )
        for row in found.iter_rows(named=True)
    )
    return Table("Oldest offers bought", columns("Offer", "Vendor", "Last confirmed", "#Age"), rows)


def _left_out_table(facts: Facts, buyer: Buyer) -> Table | None:
    """Vendors no plan could use, with the reason: no terms, no exchange rate, or prices too old."""
    if facts.today is None:
        return None
    book = terms_on(facts.inputs, facts.today, buyer)
    reasons = dict(book.left_out)
    for vendor_code, seen_on in _last_exports(facts).items():
        if why := book.why_left_out(vendor_code):
            reasons[vendor_code] = why
        elif seen_on < facts.today - timedelta(days=facts.settings.refresh.stale_after_days):
            reasons[vendor_code] = f"its last price export is of {day(seen_on)}"
    names = facts.vendor_names()
    rows = tuple((names.get(code, code), reason) for code, reason in sorted(reasons.items()))
    return Table("Vendors left out", columns("Vendor", "Why"), rows) if rows else None


def _last_exports(facts: Facts) -> dict[str, date]:
    exports = facts.table(VENDOR_EXPORT).filter(pl.col("observed_on") <= facts.today)
    exports = exports.filter(pl.col("export_standing").is_in(["winner", "overlay"]))
    return dict(exports.group_by("vendor_code").agg(pl.col("observed_on").max()).sort("vendor_code").iter_rows())


def _movers_table(facts: Facts, model: ReportedModel, buyer: Buyer) -> Table | None:
    prices = facts.table(ELEMENT_PRICE).filter(pl.col("model_code") == model.code)
    limit = facts.settings.report.mover_count
    rows = tuple(
        (
            f"{facts.part_name(row['part_code'])}, {facts.colour_name(row['colour_code'])}",
            percent(row["price_change_pct"], signed=True),
            number(row["element_price"], 4),
            number(row["contribution_points"], 2, signed=True),
            count(row["market_vendor_count"]),
        )
        for row in movers(prices, f"{facts.today:%Y-%m}", buyer.buyer_code, limit).iter_rows(named=True)
    )
    headings = columns("Element", "#Price change", f"#Price, {buyer.currency_code}", "#Index points", "#Vendors")
    return Table("Largest price moves since last month", headings, rows, is_stacked=True) if rows else None
