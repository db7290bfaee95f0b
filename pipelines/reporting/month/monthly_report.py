"""The report of one month: a page of all models, a page of each, and the figures behind the charts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.money import Interval, cost_interval
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, places, saving
from pipelines.reporting.basis.page_tables import (
    NOTHING,
    Link,
    Table,
    columns,
    count,
    day,
    gap,
    month_name,
    number,
    percent,
)
from pipelines.reporting.basis.render import write_page
from pipelines.reporting.basis.words import NO_CLEAR_SAVING
from pipelines.reporting.month.cost_causes import causes_chart, causes_table, moved_models
from pipelines.reporting.month.families import families_table
from pipelines.reporting.month.front_page import buying_section, front_page
from pipelines.reporting.month.model_report import (
    is_reported,
    model_report,
    revisions_table,
    why_cost_is_withheld,
    why_index_is_withheld,
)
from pipelines.reporting.month.report_data import write_data
from pipelines.reporting.month.shared_pictures import month_tags, write_pictures
from pipelines.reporting.sections.availability import availability_of, copies_words
from pipelines.reporting.sections.costs import (
    WITHHELD,
    cost_coverage,
    headline_cost,
    no_history,
)
from pipelines.reporting.sections.made import made_of
from pipelines.reporting.sections.movers import movers_table
from pipelines.reporting.sections.suspects import suspect_words
from pipelines.reporting.sections.watches import fired_words
from pipelines.settings import Buyer
from pipelines.workspace import PUBLIC
from schemas.published.runs import CHECK_RESULT, REFRESH_RUN


def write_monthly_report(
    tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs, month: str, folder: Path
) -> list[Path]:
    """Write ``<month>.html`` and ``.md`` and the folder ``<month>/`` below ``public/reports/`` of ``folder``.

    In the month's folder: ``<model>.html`` and ``.md``, and the figures behind the charts as CSV and Parquet. Pictures for sharing: ``<month>.png``, and of
    the latest month ``<month>/<model>.png``.

    Args:
        tables: the generation's tables by name.
        inputs: the workspace's settings, tables and models.
        month: such as 2026-10; nothing of a later date is shown.
        folder: the generation's folder.

    Returns:
        The files written.
    """
    return write_report_of(PageData(tables, inputs), month, folder)


def write_report_of(page_data: PageData, month: str, folder: Path) -> list[Path]:
    """As :func:`write_monthly_report`, with tables already looked up."""
    place = folder / PUBLIC / "reports"
    values, made = report(page_data, month), made_of(page_data, is_report=True)
    pictures, said = write_pictures(page_data, month, values, place)
    tags = month_tags(page_data, month, said)
    written = [
        write_page(place / f"{month}{ending}", f"monthly{ending}", ("month",), made=made, open_graph=tags, **values)
        for ending in (".html", ".md")
    ]
    for model in page_data.models if _has_model_pages(page_data, month) else ():
        own = model_report(page_data, model, month)
        if own is not None:
            written += [
                write_page(place / month / f"{model.page}{ending}", f"model_month{ending}", made=made, **own)
                for ending in (".html", ".md")
            ]
    return [*written, *write_data(page_data, month, place / month), *pictures]


def report(page_data: PageData, month: str) -> dict[str, Any]:
    """The values of the page of all models."""
    cut_off = page_data.last_date_in(month)
    sections = [_for_buyer(page_data, buyer, month, cut_off) for buyer in page_data.buyers]
    base_months = {
        row["base_month"]
        for model in page_data.models
        for buyer in page_data.buyers
        if (row := page_data.index(model.code, buyer.buyer_code, month)) is not None
    }
    return {
        "page_title": f"{month_name(month)}: what the models cost",
        "month": month,
        "month_name": month_name(month),
        "cut_off": day(cut_off),
        "is_running": cut_off is not None and (cut_off + timedelta(days=1)).month == cut_off.month,
        "sections": [section for section in sections if section["glance"]],
        "watches": fired_words(page_data) if month == f"{page_data.today:%Y-%m}" else None,
        "methods": [
            *(
                [f"The base month of the index is {', '.join(map(month_name, sorted(base_months)))}."]
                if base_months
                else []
            ),
            *suspect_words(page_data, cut_off),
            *_run_words(page_data),
        ],
    }


def _for_buyer(page_data: PageData, buyer: Buyer, month: str, cut_off: date | None) -> dict[str, Any]:
    shown = [model for model in page_data.models if is_reported(page_data, model, buyer, month, cut_off)]
    plans = {
        model.code: page_data.headline_plan(model.code, buyer.buyer_code, cut_off) if cut_off else None
        for model in shown
    }
    moved = moved_models(page_data, [(model, plans[model.code]) for model in shown])
    return {
        "buyer": buyer,
        "front": front_page(page_data, shown, plans, moved, buyer, month),
        "glance": _glance_table(page_data, shown, plans, buyer, month),
        "notes": [no_history(buyer)] if shown and not buyer.plan_past_months else [],
        "causes": causes_chart(moved, buyer),
        "causes_table": causes_table(moved, buyer) if moved else None,
        "has_breaks": any(not each.is_same for each in moved),
        "families": families_table(page_data, buyer, month),
        "movers": movers_table(page_data, buyer, month),
        "buying": buying_section(page_data, shown, buyer, month),
        "ranking": _ranking_table(page_data, shown, plans, buyer, month, cut_off),
        "coverage": _coverage_table(page_data, shown, plans, buyer, month),
        "revisions": revisions_table(page_data, shown, buyer, month),
    }


def _has_model_pages(page_data: PageData, month: str) -> bool:
    return month in page_data.months()[-page_data.settings.report.months_with_model_pages :]


def _model_cell(page_data: PageData, model: ReportedModel, month: str) -> str | Link:
    return Link(model.title, f"{month}/{model.page}.html") if _has_model_pages(page_data, month) else model.title


def _glance_table(
    page_data: PageData, models: list[ReportedModel], plans: Mapping[str, Row | None], buyer: Buyer, month: str
) -> Table | None:
    has_costs = any(plan is not None for plan in plans.values())
    rows = []
    for model in models:
        plan, index = plans[model.code], page_data.index(model.code, buyer.buyer_code, month)
        coverage = cost_coverage(plan)
        costs = (
            headline_cost(page_data, plan),
            NOTHING if plan is None else gap(plan["gap_pct"]),
            NOTHING if coverage is None else percent(coverage * 100),
        )
        rows.append(
            (
                _model_cell(page_data, model, month),
                *(costs if has_costs else ()),
                _change(index, "change_1_month_pct"),
                _change(index, "change_12_months_pct"),
                _level(index),
                NOTHING if index is None else percent(index["coverage_share"] * 100),
            )
        )
    costs_headings = ("#Cheapest complete cost", "#Above the best, at most", "#Pieces priced") if has_costs else ()
    headings = columns(
        "Model", *costs_headings, "#Prices, 1 month", "#Prices, 12 months", "#Price index", "#List priced"
    )
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


def _ranking_table(
    page_data: PageData,
    models: list[ReportedModel],
    plans: Mapping[str, Row | None],
    buyer: Buyer,
    month: str,
    cut_off: date | None,
) -> Table | None:
    """Models by cost per piece; those whose cost is withheld or too low by an unknown amount come last, without a rank."""
    ranked = []
    for model in models:
        plan = plans[model.code]
        is_known = plan is not None and not page_data.cost_is_withheld(plan) and not plan["unfilled_estimate_count"]
        per_piece = plan["complete_cost"] / plan["piece_count"] if is_known and plan and plan["piece_count"] else None
        ranked.append((per_piece is None, per_piece or Decimal(0), model.title, model, plan, per_piece))
    ranked.sort(key=lambda item: item[:3])
    ranks = iter(
        places(
            [
                (0, Interval(cost.low / plan["piece_count"], cost.high / plan["piece_count"]))
                for *_, plan, per_piece in ranked
                if plan is not None and per_piece is not None and (cost := cost_interval(plan))
            ]
        )
    )
    rows = []
    for _, _, _, model, plan, per_piece in ranked:
        index = page_data.index(model.code, buyer.buyer_code, month)
        available = availability_of(page_data, model.code, buyer.buyer_code, month)
        flexible = page_data.plan(model.code, buyer.buyer_code, "flexible", cut_off) if cut_off else None
        listed = page_data.plan(model.code, buyer.buyer_code, "listed", cut_off) if cut_off else None
        rows.append(
            (
                _model_cell(page_data, model, month),
                NOTHING if per_piece is None else next(ranks),
                NOTHING if per_piece is None else number(per_piece, 3),
                NOTHING if plan is None else count(plan["piece_count"]),
                _change(index, "change_12_months_pct"),
                NOTHING if available is None else percent(available["fillable_share"] * 100),
                NOTHING if available is None else copies_words(available),
                _flexibility_saves(listed, flexible),
            )
        )
    if all(row[1] == NOTHING and row[4] == NOTHING for row in rows):
        return None
    headings = columns(
        "Model",
        "#Rank",
        f"#A piece costs, {buyer.currency_code}",
        "#Pieces",
        "#Prices, 12 months",
        "#On sale as listed",
        "#Enough for",
        "#Flexibility saves",
    )
    return Table("Models by what a piece costs", headings, tuple(rows), is_stacked=True)


def _flexibility_saves(listed: Row | None, flexible: Row | None) -> str:
    found = saving(listed, flexible) if flexible is not None else None
    if listed is None or flexible is None or found is None or found.share_pct is None:
        return NOTHING
    if found.amount < 0 and flexible["unfilled_piece_count"] < listed["unfilled_piece_count"]:
        return NOTHING  # dearer because it finds more pieces
    return percent(found.share_pct) if found.is_clear else NO_CLEAR_SAVING


def _coverage_table(
    page_data: PageData, models: list[ReportedModel], plans: Mapping[str, Row | None], buyer: Buyer, month: str
) -> Table | None:
    rows = []
    for model in models:
        index = page_data.index(model.code, buyer.buyer_code, month)
        if index is None:
            continue
        why = [f"index withheld: {reason}" for reason in [why_index_is_withheld(page_data, index)] if reason]
        why += [f"cost withheld: {reason}" for reason in [why_cost_is_withheld(page_data, plans[model.code])] if reason]
        rows.append(
            (
                model.title,
                count(index["basket_line_count"]),
                count(index["priced_line_count"]),
                percent(index["coverage_share"] * 100),
                percent(index["imputed_share"] * 100),
                "; ".join(why) or "shown",
            )
        )
    headings = columns("Model", "#Lines", "#With a price", "#Coverage by cost", "#Imputed by cost", "Index and cost")
    return Table("How much of each list has a price", headings, tuple(rows), is_stacked=True) if rows else None


def _run_words(page_data: PageData) -> list[str]:
    """Which refresh made the page, and how many of its checks passed."""
    runs = page_data.table(REFRESH_RUN).select("refresh_id", "software_version").unique().to_dicts()
    words = [f"Made by the refresh {run['refresh_id']}, kitfare {run['software_version']}." for run in runs]
    checks = page_data.table(CHECK_RESULT)
    failed = checks.filter(pl.col("failed_row_count") > 0).height
    if checks.height:
        words.append(f"{checks.height - failed} of {count(checks.height, 'check')} on the published tables passed.")
    return words
