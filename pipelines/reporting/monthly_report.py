"""The report of one month: what each model costs at the month's end, and where prices went."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.reporting.charts import DASHES, Chart, Line, line_chart
from pipelines.reporting.costs import WITHHELD, cost_chart, headline_cost, least_certain, no_history
from pipelines.reporting.facts import Facts, ReportedModel, Row
from pipelines.reporting.render import write_page
from pipelines.reporting.suspects import suspect_section
from pipelines.reporting.tables import NOTHING, Link, Table, columns, count, day, gap, month_name, number, percent
from pipelines.reporting.words import INDEX_NAMES, METHODS
from pipelines.settings import Buyer
from pipelines.trends.movers import movers

METHOD_WIDTHS = {"lowe": 2.5, "jevons": 1.0, "geks-tornqvist": 1.0}
"""The headline index and, thin, its two checks."""


def write_monthly_report(
    tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs, month: str, folder: Path
) -> list[Path]:
    """Write ``reports/<month>.html`` and ``.md`` below ``folder``.

    Args:
        tables: the generation's tables by name.
        inputs: the workspace's settings, tables and models.
        month: such as 2026-10; nothing of a later date is shown.
        folder: the generation's folder.

    Returns:
        The files written.
    """
    return write_report_of(Facts(tables, inputs), month, folder)


def write_report_of(facts: Facts, month: str, folder: Path) -> list[Path]:
    """As :func:`write_monthly_report`, on facts already looked up."""
    values = report(facts, month)
    return [
        write_page(folder / "reports" / f"{month}{ending}", f"monthly{ending}", **values) for ending in (".html", ".md")
    ]


def report(facts: Facts, month: str) -> dict[str, Any]:
    """Everything the templates of a monthly report show."""
    cut_off = facts.date_in_month(month)
    sections = [_for_buyer(facts, buyer, month, cut_off) for buyer in facts.buyers]
    base_months = {
        row["base_month"]
        for model in facts.models
        for buyer in facts.buyers
        if (row := facts.index(model.code, buyer.buyer_code, month)) is not None
    }
    return {
        "page_title": f"{month_name(month)}: what the models cost",
        "month": month_name(month),
        "cut_off": day(cut_off),
        "is_running": cut_off is not None and (cut_off + timedelta(days=1)).month == cut_off.month,
        "base_months": ", ".join(month_name(base) for base in sorted(base_months)),
        "sections": [section for section in sections if section["strip"]],
        "suspects": suspect_section(facts, cut_off),
        "methods": METHODS,
        "floor": percent(facts.settings.report.coverage_floor * 100, digits=0),
    }


def _for_buyer(facts: Facts, buyer: Buyer, month: str, cut_off: date | None) -> dict[str, Any]:
    shown = [model for model in facts.models if _is_reported(facts, model, buyer, month, cut_off)]
    prices = facts.prices_of(buyer.buyer_code, month)
    models = [_model(facts, model, buyer, month, cut_off) for model in shown]
    return {
        "buyer": buyer,
        "strip": _strip_table(facts, shown, buyer, month, cut_off),
        "notes": _notes(buyer, models),
        "models": [item for item in models if item["costs"] or item["index"] or item["words"]],
        "movers": _movers_table(facts, prices, buyer, month),
        "coverage": _coverage_table(facts, shown, buyer, month),
    }


def _model(facts: Facts, model: ReportedModel, buyer: Buyer, month: str, cut_off: date | None) -> dict[str, Any]:
    codes = _charted_scenarios(facts, model, buyer)
    costs = cost_chart(facts, model.code, buyer, codes, cut_off)
    certain = least_certain(facts, model.code, buyer, codes, cut_off) if costs else ""
    contributions = _contribution_words(facts, model.code, buyer, month)
    return {
        "model": model,
        "costs": costs,
        "index": _index_chart(facts, model.code, buyer, month),
        "words": " ".join(words for words in (contributions, certain) if words),
    }


def _notes(buyer: Buyer, models: list[dict[str, Any]]) -> list[str]:
    """Why a buyer's section has no costs or no charts."""
    told = []
    if not buyer.plan_past_months and not any(item["costs"] for item in models):
        told.append(no_history(buyer))
    if models and not any(item["costs"] or item["index"] for item in models):
        told.append("Charts start with the second month that has figures.")
    return told


def _charted_scenarios(facts: Facts, model: ReportedModel, buyer: Buyer) -> list[str]:
    """The scenarios that were ever planned, at most as many as there are ways to draw a line."""
    days = facts.priced_dates(model.code, buyer.buyer_code)
    planned = {plan["scenario_code"] for on in days for plan in facts.plans(model.code, buyer.buyer_code, on)}
    return [code for code in facts.scenarios if code in planned][: len(DASHES)]


def _is_reported(facts: Facts, model: ReportedModel, buyer: Buyer, month: str, cut_off: date | None) -> bool:
    has_plan = cut_off is not None and bool(facts.plans(model.code, buyer.buyer_code, cut_off))
    return has_plan or facts.index(model.code, buyer.buyer_code, month) is not None


def _strip_table(
    facts: Facts, models: list[ReportedModel], buyer: Buyer, month: str, cut_off: date | None
) -> Table | None:
    plans = [facts.headline_plan(model.code, buyer.buyer_code, cut_off) if cut_off else None for model in models]
    has_costs = any(plan is not None for plan in plans)
    rows = []
    for model, plan in zip(models, plans, strict=True):
        index = facts.index(model.code, buyer.buyer_code, month)
        costs = (headline_cost(facts, plan), NOTHING if plan is None else gap(plan["gap_pct"]))
        rows.append(
            (
                Link(model.title, f"../sheets/{model.page}.html"),
                *(costs if has_costs else ()),
                _change(index, "change_1_month_pct"),
                _change(index, "change_12_months_pct"),
                _level(index),
            )
        )
    costs_headings = ("#Cheapest complete cost", "#Above the best, at most") if has_costs else ()
    headings = columns("Model", *costs_headings, "#Prices, 1 month", "#Prices, 12 months", "#Price index")
    caption = f"The month at a glance, in {buyer.currency_code}" if has_costs else "The month at a glance"
    return Table(caption, headings, tuple(rows), is_stacked=True) if rows else None


def _change(index: Row | None, name: str) -> str:
    if index is not None and index["is_withheld"]:
        return WITHHELD
    return percent(index[name] if index is not None else None, signed=True)


def _level(index: Row | None) -> str:
    if index is not None and index["is_withheld"]:
        return WITHHELD
    return number(index["index_level"] if index is not None else None)


def _index_chart(facts: Facts, model_code: str, buyer: Buyer, month: str) -> Chart | None:
    months = [m for m in facts.months() if facts.index(model_code, buyer.buyer_code, m) is not None]
    lines = []
    for style, (method, name) in enumerate(INDEX_NAMES.items()):
        rows = (facts.index(model_code, buyer.buyer_code, m, method) for m in months)
        values = tuple(None if row is None or row["is_withheld"] else row["index_level"] for row in rows)
        lines.append(Line(name, values, style, METHOD_WIDTHS[method]))
    base = facts.index(model_code, buyer.buyer_code, months[-1]) if months else None
    title = f"Price index, {month_name(base['base_month'])} = 100" if base else "Price index"
    return line_chart(title, [month_end(m) for m in months], lines, number, month_end(month))


def month_end(month: str) -> date:
    """The last day of a month such as 2026-10."""
    year, number_in_year = map(int, month.split("-"))
    first_of_next = date(year + number_in_year // 12, number_in_year % 12 + 1, 1)
    return first_of_next - timedelta(days=1)


def _contribution_words(facts: Facts, model_code: str, buyer: Buyer, month: str) -> str:
    """How the month's change of the index splits into rises, falls and imputed lines; empty where there is no change."""
    points = facts.contributions(model_code, buyer.buyer_code, month)
    if points is None:
        return ""
    up, down, carried = (number(points[name], 2, signed=True) for name in ("up", "down", "carried"))
    words = f"Of the month's change, lines that rose gave {up} percentage points and lines that fell {down}"
    return words + ("." if carried == "0.00" else f"; imputed lines gave {carried}.")


def _movers_table(facts: Facts, prices: pl.DataFrame, buyer: Buyer, month: str) -> Table | None:
    """The largest rises and falls. An element is named only if a model that publishes lines uses it."""
    may_name = {model.code for model in facts.models if model.publish_lines != "none"}
    named = prices.filter(pl.col("model_code").is_in(sorted(may_name))).select("part_code", "colour_code").unique()
    open_elements = set(named.iter_rows())
    rows = tuple(
        (
            _element(facts, row, open_elements),
            percent(row["price_change_pct"], signed=True),
            number(row["element_price"], 4),
            count(row["market_vendor_count"]),
            count(row["market_quantity"]),
        )
        for row in movers(prices, month, buyer.buyer_code, facts.settings.report.mover_count).iter_rows(named=True)
    )
    headings = columns("Element", "#Price change", f"#Price, {buyer.currency_code}", "#Vendors", "#Pieces on offer")
    return Table("Largest rises and falls since the month before", headings, rows, is_stacked=True) if rows else None


def _element(facts: Facts, row: Row, open_elements: set[tuple[str, ...]]) -> str:
    if (row["part_code"], row["colour_code"]) in open_elements:
        return f"{facts.part_name(row['part_code'])}, {facts.colour_name(row['colour_code'])}"
    family = facts.part_families.get(row["part_code"])
    return f"a part of the family {family} (not named)" if family else "a part (not named)"


def _coverage_table(facts: Facts, models: list[ReportedModel], buyer: Buyer, month: str) -> Table | None:
    rows = []
    for model in models:
        index = facts.index(model.code, buyer.buyer_code, month)
        if index is None:
            continue
        covered = percent(index["coverage_share"] * 100)
        why = f"{covered} of the basket has a price of its own" if index["is_withheld"] else ""
        rows.append(
            (
                model.title,
                count(index["basket_line_count"]),
                count(index["priced_line_count"]),
                covered,
                percent(index["imputed_share"] * 100),
                f"withheld: only {why}" if why else "shown",
            )
        )
    headings = columns("Model", "#Lines", "#With a price", "#Coverage by cost", "#Imputed by cost", "Index")
    return Table("How much of each basket has a price", headings, tuple(rows), is_stacked=True) if rows else None
