"""The first pages of both folders: what every model costs, and how that changed; where all private pages are."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from statistics import median
from typing import Any

import polars as pl

from pipelines.money import Interval, cost_interval
from pipelines.reporting.basis.findings import Found, lowest_since, moved, saved
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, saving
from pipelines.reporting.basis.page_tables import (
    NOTHING,
    Cell,
    Link,
    Table,
    change,
    columns,
    count,
    day,
    ends,
    money,
    month_name,
    percent,
    short_day,
)
from pipelines.reporting.basis.words import NO_CLEAR_SAVING, PRIVATE_WORDS
from pipelines.reporting.drawings.sparkline import sparkline
from pipelines.reporting.sections.changes import change_between
from pipelines.reporting.sections.costs import complete_cost, headline_cost
from pipelines.reporting.sections.suspects import suspect_section
from pipelines.settings import Buyer
from pipelines.trends.months import month_before
from pipelines.warehouse.publishing.table_files import TableFiles
from schemas.all_tables import ALL_PUBLISHED, WORKSPACE_TABLES
from schemas.published.watches import WATCH_RESULT

SPARK_DATES = 25
"""Today and 24 month ends."""


def index(page_data: PageData) -> dict[str, Any]:
    """The values of the public index."""
    sections = [_for_buyer(page_data, buyer) for buyer in page_data.buyers]
    return {
        "page_title": page_data.settings.report.title,
        "today": day(page_data.today),
        "sections": sections,
        "reuse": page_data.settings.report.reuse,
    }


def _for_buyer(page_data: PageData, buyer: Buyer) -> dict[str, Any]:
    """One row per model, and what they show together in sentences."""
    before_on = _month_end_before(page_data, buyer)
    rows: list[tuple[Cell, ...]] = []
    changes: list[Interval | None] = []
    savings: list[Found] = []
    missing: list[int | None] = []
    for model in page_data.models:
        best = page_data.headline_plan(model.code, buyer.buyer_code)
        listed = page_data.plan(model.code, buyer.buyer_code, "listed")
        found = saving(listed, best) if best is not None else None
        if found is not None and listed is not best:
            savings.append(Found(model.title, found.amount, found.between))
        moved_by = _change_since(page_data, model, buyer, best, before_on)
        changes.append(None if moved_by is None else moved_by[1])
        missing.append(None if best is None else best["unfilled_piece_count"])
        code = buyer.currency_code
        rows.append(
            (
                Link(model.title, f"sheets/{model.page}.html"),
                headline_cost(page_data, best),
                *(
                    (
                        NOTHING if moved_by is None else change(moved_by[0], moved_by[1], code),
                        _past_costs(page_data, model, buyer, best),
                    )
                    if before_on
                    else ()
                ),
                complete_cost(page_data, listed),
                NOTHING if found is None else money(found.amount, code) if found.is_clear else NO_CLEAR_SAVING,
                NOTHING if found is None else ends(found.between, code),
                NOTHING if best is None else count(best["piece_count"]),
                _availability(best),
            )
        )
    headings = columns(
        "Model",
        f"#{page_data.scenario_title('cheapest')}",
        *((f"#Since {short_day(before_on)}", "Past costs") if before_on else ()),
        f"#{page_data.scenario_title('listed')}",
        "#Saved",
        "#Between",
        "#Pieces",
        "On sale",
    )
    findings = [
        moved(changes, "model", "models", day(before_on)) if before_on else "",
        _extremes(page_data, buyer),
        saved(savings, buyer.currency_code, page_data.scenario_title("cheapest")),
    ]
    caption = f"Complete cost today, in {buyer.currency_code}"
    return {
        "buyer": buyer,
        "findings": [words for words in findings if words],
        "models": Table(caption, headings, tuple(rows)),
        "missing": missing,
    }


def _month_end_before(page_data: PageData, buyer: Buyer) -> date | None:
    """The last date before today on which the buyer's plans are known."""
    days = {day for model in page_data.models for day in page_data.priced_dates(model.code, buyer.buyer_code)}
    return max((day for day in days if page_data.today is not None and day < page_data.today), default=None)


def _change_since(
    page_data: PageData, model: ReportedModel, buyer: Buyer, best: Row | None, before_on: date | None
) -> tuple[Decimal, Interval] | None:
    """What the headline's way of buying costs more than at the last month end."""
    if best is None or before_on is None:
        return None
    before = page_data.plan(model.code, buyer.buyer_code, best["scenario_code"], before_on)
    return change_between(page_data, before, best)


def _past_costs(page_data: PageData, model: ReportedModel, buyer: Buyer, best: Row | None) -> Cell:
    """A sparkline of the headline's way of buying, of at most 24 month ends and today."""
    if best is None:
        return NOTHING
    days = page_data.priced_dates(model.code, buyer.buyer_code)[-SPARK_DATES:]
    plans = [page_data.plan(model.code, buyer.buyer_code, best["scenario_code"], on) for on in days]
    shown = [None if plan is None or page_data.cost_is_withheld(plan) else plan for plan in plans]
    known = [plan for plan in shown if plan is not None]
    if len(known) < 2:
        return NOTHING
    first, last = (
        f"{money(plan['complete_cost'], buyer.currency_code)} on {day(plan['priced_on'])}"
        for plan in (known[0], known[-1])
    )
    values = [None if plan is None else float(plan["complete_cost"]) for plan in shown]
    return sparkline(values, f"from {first} to {last}") or NOTHING


def _extremes(page_data: PageData, buyer: Buyer) -> str:
    """Whose headline cost is surely the lowest or highest for how long; of several such findings the one that most models share."""
    found: dict[str, list[str]] = {}
    for model in page_data.models:
        now = page_data.headline_plan(model.code, buyer.buyer_code)
        if now is None or page_data.cost_is_withheld(now):
            continue
        earlier = []
        for on in page_data.priced_dates(model.code, buyer.buyer_code)[:-1]:
            plan = page_data.plan(model.code, buyer.buyer_code, now["scenario_code"], on)
            is_known = plan is not None and change_between(page_data, plan, now) is not None
            earlier.append((month_name(f"{on:%Y-%m}"), cost_interval(plan) if plan is not None and is_known else None))
        if words := lowest_since(earlier, cost_interval(now)):
            found.setdefault(words, []).append(model.title)
    if not found:
        return ""
    words, titles = max(found.items(), key=lambda item: len(item[1]))
    who = titles[0] if len(titles) == 1 else f"{len(titles)} of {count(len(page_data.models), 'model')}"
    return f"For {who} this is {words} dates." if " of " in words else f"For {who} this is {words}."


def _availability(best: Row | None) -> str:
    """Whether all pieces can be bought today, by a symbol and a word."""
    if best is None:
        return NOTHING
    missing = best["unfilled_piece_count"]
    return f"\u25d0\u00a0{count(missing)}\u00a0missing" if missing else "\u25cf\u00a0all"


def months_list(page_data: PageData) -> dict[str, Any]:
    """The values of the list of monthly reports, latest first: what each found about costs, and how prices moved."""
    rows = []
    for month in reversed(page_data.months()):
        moved_pct = [
            row["change_1_month_pct"]
            for model in page_data.models
            for buyer in page_data.buyers[:1]
            if (row := page_data.index(model.code, buyer.buyer_code, month)) is not None
            and not row["is_withheld"]
            and row["change_1_month_pct"] is not None
        ]
        rows.append(
            (
                Link(month_name(month), f"{month}.html"),
                day(page_data.last_date_in(month)),
                _found_in(page_data, month) or NOTHING,
                percent(median(moved_pct), signed=True) if moved_pct else NOTHING,
                count(len(moved_pct)),
            )
        )
    headings = columns("Month", "Prices up to", "Costs", "#Prices, 1 month (median)", "#Models compared")
    return {
        "page_title": "Monthly reports",
        "months": Table("Reports by month", headings, tuple(rows), is_stacked=True),
    }


def _found_in(page_data: PageData, month: str) -> str:
    """How the first buyer's costs moved from the last date of the month before to that of the month; empty where that is not known."""
    before_on, now_on = page_data.last_date_in(month_before(month)), page_data.last_date_in(month)
    if before_on is None or now_on is None or not page_data.buyers:
        return ""
    buyer = page_data.buyers[0].buyer_code
    changes: list[Interval | None] = []
    for model in page_data.models:
        now = page_data.headline_plan(model.code, buyer, now_on)
        before = page_data.plan(model.code, buyer, now["scenario_code"], before_on) if now is not None else None
        found = change_between(page_data, before, now) if now is not None else None
        changes.append(None if found is None else found[1])
    return moved(changes, "model", "models", month_name(month_before(month)))


def private_index(page_data: PageData, tables: Mapping[str, pl.DataFrame]) -> dict[str, Any]:
    """The values of the private index."""
    return {
        "page_title": f"{page_data.settings.report.title}: private pages",
        "private": PRIVATE_WORDS,
        "suspects": suspect_section(page_data),
        "watches_fired": _watches_fired(page_data),
        "details": [(model.title, f"details/{model.page}.html") for model in page_data.models],
        "tables": _tables_table(tables),
    }


def _watches_fired(page_data: PageData) -> str:
    """How many watches fired; empty without watches."""
    if not page_data.settings.watch:
        return ""
    results = page_data.table(WATCH_RESULT)
    fired = results.filter(pl.col("is_fired"))["watch_code"].n_unique()
    return f"{fired} of {count(len(page_data.settings.watch), 'watch', 'watches')} fired"


def _tables_table(tables: Mapping[str, pl.DataFrame]) -> Table:
    rows = tuple(
        (Link(contract.name, f"tables/{contract.name}.csv"), contract.grain, count(_row_count(tables, contract.name)))
        for contract in (*ALL_PUBLISHED, *WORKSPACE_TABLES)
        if contract.name in tables
    )
    return Table("Published tables", columns("Table", "What a row is", "#Rows"), rows)


def _row_count(tables: Mapping[str, pl.DataFrame], name: str) -> int:
    return tables.height(name) if isinstance(tables, TableFiles) else tables[name].height
