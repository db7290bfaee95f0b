"""The details page of a model: how good its plans are, what is bought where, and what can't be bought."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl

from pipelines.costing.terms_on import terms_on
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, gap_amount, is_usable
from pipelines.reporting.basis.page_tables import (
    NOTHING,
    Link,
    Table,
    columns,
    count,
    day,
    gap,
    money,
    number,
    percent,
    unit_price,
)
from pipelines.reporting.basis.words import ESTIMATE_BASES, PRIVATE_WORDS, unique_sentences, with_order
from pipelines.reporting.model_pages.sheet import age
from pipelines.reporting.orders.order_lists import order_folder, workbook_name
from pipelines.reporting.sections.availability import availability_section
from pipelines.reporting.sections.buying import buying_of
from pipelines.reporting.sections.changes import what_changed
from pipelines.reporting.sections.costs import REFUSED, ways_table
from pipelines.reporting.sections.flexibility import flexible_lines_of
from pipelines.reporting.sections.orders_together import copies_table, joint_purchases
from pipelines.reporting.sections.variants import why_this_plan
from pipelines.settings import Buyer
from pipelines.trends.prices.movers import movers
from schemas.published.intake import VENDOR_EXPORT
from schemas.published.plans import PLAN_PURCHASE, PLAN_VENDOR, UNFILLED_LINE
from schemas.published.price_index import ELEMENT_PRICE
from schemas.validate import empty_frame

OLDEST_COUNT = 10
"""Oldest offers listed."""


def details(page_data: PageData, model: ReportedModel) -> dict[str, Any]:
    """The values of a model's details page."""
    sections = [section for buyer in page_data.buyers if (section := _for_buyer(page_data, model, buyer)) is not None]
    return {
        "model": model,
        "page_title": f"{model.title}: details",
        "today": day(page_data.today),
        "private": PRIVATE_WORDS if model.publish_lines != "all" else "",
        "sections": sections,
        "copies": copies_table(page_data, model),
        "methods": unique_sentences(
            [f"kitfare trace {model.code} shows the file and the line that each price comes from."],
            *(section["flexibility"].methods for section in sections),
        ),
    }


def _for_buyer(page_data: PageData, model: ReportedModel, buyer: Buyer) -> dict[str, Any] | None:
    plans = page_data.plans(model.code, buyer.buyer_code)
    if not plans:
        return None
    changed, changed_words = what_changed(page_data, model, buyer, plans)
    return {
        "buyer": buyer,
        "plans": _plans_table(page_data, plans, buyer),
        "plan_details": _plan_details_once(page_data, plans),
        "flexibility": flexible_lines_of(page_data, model, buyer, in_full=True),
        "buying": buying_of(page_data, model, buyer, in_full=True),
        "together": joint_purchases(page_data, model, buyer),
        "ways": ways_table(
            page_data,
            plans,
            page_data.plan(model.code, buyer.buyer_code, "listed"),
            f"Ways of buying, in {buyer.currency_code}",
        ),
        "changed": changed,
        "changed_words": changed_words,
        "oldest": _oldest_table(page_data, plans),
        "left_out": _left_out_table(page_data, buyer),
        "movers": _movers_table(page_data, model, buyer),
        "availability": availability_section(
            page_data, model, buyer.buyer_code, f"{page_data.today:%Y-%m}", in_full=True
        ),
    }


def _plans_table(page_data: PageData, plans: list[Row], buyer: Buyer) -> Table:
    rows = []
    for plan in plans:
        code = plan["currency_code"]
        rows.append(
            (
                _title_or_refused(page_data, plan),
                money(plan["landed_cost"], code),
                money(plan["lower_bound"], code),
                money(gap_amount(plan), code),
                gap(plan["gap_pct"]),
                count(plan["unfilled_piece_count"]),
                plan["effort"],
            )
        )
    headings = columns(
        "Way of buying", "#Landed cost", "#Lower bound", "#Gap", "#Gap in %", "#Missing pieces", "Effort",
    )  # fmt: skip
    return Table(f"How exact the plans are, in {buyer.currency_code}", headings, tuple(rows), is_stacked=True)


def _title_or_refused(page_data: PageData, plan: Row) -> str:
    title = page_data.scenario_title(plan["scenario_code"])
    return title if is_usable(plan) else f"{title} ({REFUSED})"


def _plan_details_once(page_data: PageData, plans: list[Row]) -> list[dict[str, Any]]:
    """Each plan in full; of plans that place the very same orders, and lack the same, only the first."""
    found: list[dict[str, Any]] = []
    for plan in plans:
        details = _plan_details(page_data, plan)
        orders = (details["vendors"], details["purchases"], details["unfilled"])
        same = next((each for each in found if each["orders"] == orders and each["vendors"]), None)
        if same is not None:
            details |= {"vendors": None, "purchases": None, "unfilled": None, "same_as": same["title"]}
        found.append({**details, "orders": orders})
    return found


def _plan_details(page_data: PageData, plan: Row) -> dict[str, Any]:
    folder = "../" + order_folder(plan)
    return {
        "title": page_data.scenario_title(plan["scenario_code"]),
        "same_as": "",
        "vendors": _vendors_table(page_data, plan),
        "purchases": _purchases_table(page_data, plan),
        "unfilled": _unfilled_table(page_data, plan),
        "why": why_this_plan(page_data, plan),
        "workbook": Link("Order lists of this plan (spreadsheet)", f"{folder}/{workbook_name(plan)}")
        if is_usable(plan) and page_data.rows_of_plan(PLAN_VENDOR, plan).height
        else None,
    }


def _vendors_table(page_data: PageData, plan: Row) -> Table | None:
    own_code = plan["currency_code"]
    orders = page_data.rows_of_plan(PLAN_VENDOR, plan).to_dicts()
    has_border = any(row["border_charges"] for row in orders)
    rows = tuple(
        (
            with_order(row["vendor_name"], row) + (" (maker's shop)" if row["vendor_kind"] == "maker" else ""),
            count(row["element_count"]),
            count(row["bought_piece_count"]),
            *(money(row[name], own_code) for name in ("goods", "shipping", "handling", "tax", "landed_cost")),
            *([money(row["border_charges"], own_code)] if has_border else []),
            money(row["vendor_total"], row["vendor_currency_code"], with_code=True),
            NOTHING if row["vendor_currency_code"] == own_code else f"{row['exchange_rate_used'].normalize():f}",
        )
        for row in orders
    )
    headings = columns(
        "Vendor", "#Elements", "#Pieces", "#Parts", "#Shipping", "#Handling", "#Tax", "#Landed cost",
        *(["#Of it duty and clearance"] if has_border else []), "#Vendor's total", "#Exchange rate",
    )  # fmt: skip
    return Table(f"Vendors, in {own_code}", headings, rows, is_stacked=True) if rows else None


def _purchases_table(page_data: PageData, plan: Row) -> Table | None:
    vendors = page_data.vendor_names()
    rows = tuple(
        (
            with_order(vendors.get(row["vendor_code"], row["vendor_code"]), row),
            page_data.part_name(row["part_code"]),
            page_data.colour_name(row["colour_code"]),
            row["condition"],
            count(row["bought_piece_count"]),
            count(row["spare_piece_count"]),
            unit_price(row["unit_price"], row["vendor_currency_code"]),
            f"{unit_price(row['purchase_value'], row['vendor_currency_code'])} {row['vendor_currency_code']}",
        )
        for row in page_data.rows_of_plan(PLAN_PURCHASE, plan).iter_rows(named=True)
    )
    headings = columns("Vendor", "Part", "Colour", "Condition", "#Pieces", "#Spare", "#Unit price", "#Value")
    return Table("What is bought from each vendor", headings, rows) if rows else None


def _unfilled_table(page_data: PageData, plan: Row) -> Table | None:
    code = plan["currency_code"]
    rows = tuple(
        (
            page_data.element_name(row["listed_part_code"], row["listed_colour_code"]),
            f"{row['line_number']}.{row['portion_number']}",
            count(row["unfilled_piece_count"]),
            unit_price(row["estimated_unit_price"], code),
            money(row["unfilled_estimate"], code) if row["estimate_basis"] != "none" else NOTHING,
            ESTIMATE_BASES[row["estimate_basis"]],
            row["remedies"] or NOTHING,
        )
        for row in page_data.rows_of_plan(UNFILLED_LINE, plan).iter_rows(named=True)
    )
    headings = columns(
        "Listed as", "#Line.portion", "#Missing pieces", "#Estimated price", "#Estimate", "Estimated from",
        "What would help",
    )  # fmt: skip
    return Table(f"What can't be bought, in {code}", headings, rows, is_stacked=True) if rows else None


def _oldest_table(page_data: PageData, plans: list[Row]) -> Table | None:
    """Offers of today's plans that were confirmed longest ago; none where all are of today."""
    bought = pl.concat([empty_frame(PLAN_PURCHASE), *(page_data.rows_of_plan(PLAN_PURCHASE, plan) for plan in plans)])
    offers = bought.select("offer_id", "vendor_code", "part_code", "colour_code").unique()
    older = page_data.last_confirmed.filter(pl.col("last_confirmed_on") < page_data.today)
    found = offers.join(older, on="offer_id").sort("last_confirmed_on", "offer_id").head(OLDEST_COUNT)
    if not found.height or page_data.today is None:
        return None
    vendors = page_data.vendor_names()
    rows = tuple(
        (
            page_data.element_name(row["part_code"], row["colour_code"]),
            vendors.get(row["vendor_code"], row["vendor_code"]),
            day(row["last_confirmed_on"]),
            age(row["last_confirmed_on"], page_data.today),
        )
        for row in found.iter_rows(named=True)
    )
    return Table("Oldest offers bought", columns("Offer", "Vendor", "Last confirmed", "#Age"), rows)


def _left_out_table(page_data: PageData, buyer: Buyer) -> Table | None:
    """Vendors no plan could use, with the reason: no terms, no exchange rate, or prices too old."""
    if page_data.today is None:
        return None
    book = terms_on(page_data.inputs, page_data.today, buyer)
    reasons = dict(book.left_out)
    for vendor_code, seen_on in _last_exports(page_data).items():
        if why := book.why_left_out(vendor_code):
            reasons[vendor_code] = why
        elif seen_on < page_data.today - timedelta(days=page_data.settings.refresh.stale_after_days):
            reasons[vendor_code] = f"its last price export is of {day(seen_on)}"
    names = page_data.vendor_names()
    rows = tuple((names.get(code, code), reason) for code, reason in sorted(reasons.items()))
    return Table("Vendors left out", columns("Vendor", "Why"), rows) if rows else None


def _last_exports(page_data: PageData) -> dict[str, date]:
    exports = page_data.table(VENDOR_EXPORT).filter(pl.col("observed_on") <= page_data.today)
    exports = exports.filter(pl.col("export_standing").is_in(["winner", "overlay"]))
    return dict(exports.group_by("vendor_code").agg(pl.col("observed_on").max()).sort("vendor_code").iter_rows())


def _movers_table(page_data: PageData, model: ReportedModel, buyer: Buyer) -> Table | None:
    prices = page_data.table(ELEMENT_PRICE).filter(pl.col("model_code") == model.code)
    limit = page_data.settings.report.mover_count
    rows = tuple(
        (
            page_data.element_name(row["part_code"], row["colour_code"]),
            percent(row["price_change_pct"], signed=True),
            number(row["element_price"], 4),
            number(row["contribution_points"], 2, signed=True),
            count(row["market_vendor_count"]),
        )
        for row in movers(prices, f"{page_data.today:%Y-%m}", buyer.buyer_code, limit).iter_rows(named=True)
    )
    headings = columns("Element", "#Price change", f"#Price, {buyer.currency_code}", "#Index points", "#Vendors")
    return Table("Largest price changes since last month", headings, rows, is_stacked=True) if rows else None
