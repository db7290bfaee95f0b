"""All pages of a generation: the index, the comparison, sheets with their evidence, and the monthly reports."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from statistics import median
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.reporting.costs import (
    ESTIMATED,
    FEWER_PIECES,
    comparison_table,
    complete_cost,
    cost_words,
    headline_cost,
    pieces_priced,
    saved,
)
from pipelines.reporting.evidence import evidence
from pipelines.reporting.facts import Facts, ReportedModel, Row, saving
from pipelines.reporting.monthly_report import write_report_of
from pipelines.reporting.render import write_page
from pipelines.reporting.sheets import sheet
from pipelines.reporting.tables import NOTHING, Link, Table, columns, count, day, month_name, percent
from pipelines.reporting.watch_page import watch_page
from pipelines.reporting.words import CAUTIONS, ESTIMATED_WORDS, FEWER_PIECES_WORDS
from pipelines.settings import Buyer
from pipelines.warehouse.table_files import TableFiles
from schemas.inputs import WORKSPACE_TABLES
from schemas.outlook import WATCH_RESULT
from schemas.published import ALL_PUBLISHED


def write_pages(
    tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs, folder: Path, months: Sequence[str] | None = None
) -> list[Path]:
    """Write every page below ``folder``: same tables, same bytes.

    ``index.html``; ``comparison.html`` and ``.md``; ``sheets/<model>.html``, ``.md`` and ``<model>-evidence.html``;
    ``reports/<month>.html`` and ``.md`` for every month the tables know, with a folder of a page per model, and
    ``reports/index.html``; ``watches.html``.

    Args:
        tables: the generation's tables by name, or its files of them.
        inputs: the workspace's settings, tables and models.
        folder: the generation's folder.
        months: those to write reports of; all if None.

    Returns:
        The files written.
    """
    site = Site(tables, inputs, folder)
    return [path for part in parts_of(site.facts, months) for path in write_part(site, part)]


@dataclass(frozen=True)
class Site:
    """What the pages are made from, and where they go. Processes are given this: tables in files are a path to them."""

    tables: Mapping[str, pl.DataFrame]
    inputs: WorkspaceInputs
    folder: Path

    @cached_property
    def facts(self) -> Facts:
        """The tables, looked up: once in each process that writes pages."""
        return Facts(self.tables, self.inputs)


Part = tuple[str, str]
"""Pages that are written together: ("overviews", ""), ("sheet", model code) or ("month", month)."""


def parts_of(facts: Facts, months: Sequence[str] | None = None) -> list[Part]:
    """All pages there are, with the reports of some months only if those are given."""
    return [
        ("overviews", ""),
        *(("sheet", model.code) for model in facts.models),
        *(("month", month) for month in (facts.months() if months is None else months)),
    ]


def write_part(site: Site, part: Part) -> list[Path]:
    """Write some of the pages; the others need not be there."""
    kind, name = part
    if kind == "overviews":
        return _write_overviews(site.facts, site.tables, site.folder)
    if kind == "month":
        return write_report_of(site.facts, name, site.folder)
    model = next(model for model in site.facts.models if model.code == name)
    return _write_sheet(site.facts, model, site.folder)


def _write_overviews(facts: Facts, tables: Mapping[str, pl.DataFrame], folder: Path) -> list[Path]:
    """The pages about all models: the index, the comparison, the list of reports, the watches."""
    compared, archive = _comparison(facts), _months_table(facts)
    return [
        write_page(folder / "index.html", "index.html", **_index(facts, tables)),
        *(write_page(folder / f"comparison{ending}", f"comparison{ending}", **compared) for ending in (".html", ".md")),
        write_page(folder / "reports" / "index.html", "months.html", page_title="Monthly reports", months=archive),
        write_page(folder / "watches.html", "watches.html", **watch_page(facts)),
    ]


def _write_sheet(facts: Facts, model: ReportedModel, folder: Path) -> list[Path]:
    """A model's sheet and its evidence."""
    values, place = sheet(facts, model), folder / "sheets"
    return [
        write_page(place / f"{model.page}.html", "sheet.html", **values),
        write_page(place / f"{model.page}.md", "sheet.md", **values),
        write_page(place / f"{model.page}-evidence.html", "evidence.html", **evidence(facts, model)),
    ]


def _months_table(facts: Facts) -> Table:
    """The archive: every month with a report, latest first, with its prices against the month before."""
    rows = []
    for month in reversed(facts.months()):
        changes = [
            index["change_1_month_pct"]
            for model in facts.models
            for buyer in facts.buyers[:1]
            if (index := facts.index(model.code, buyer.buyer_code, month)) is not None
            and not index["is_withheld"]
            and index["change_1_month_pct"] is not None
        ]
        told = percent(median(changes), signed=True) if changes else NOTHING
        rows.append(
            (Link(month_name(month), f"{month}.html"), day(facts.date_in_month(month)), told, count(len(changes)))
        )
    headings = columns("Month", "Prices up to", "#Prices, 1 month (median)", "#Models compared")
    return Table("Reports by month", headings, tuple(rows), is_stacked=True)


def _index(facts: Facts, tables: Mapping[str, pl.DataFrame]) -> dict[str, Any]:
    months = facts.months()
    return {
        "page_title": facts.settings.report.title,
        "today": day(facts.today),
        "sections": [{"buyer": buyer, "models": _models_table(facts, buyer)} for buyer in facts.buyers],
        "latest_report": (month_name(months[-1]), f"reports/{months[-1]}.html") if months else None,
        "watches_fired": _watches_fired(facts),
        "evidence": [(model.title, f"sheets/{model.page}-evidence.html") for model in facts.models],
        "tables": _tables_table(tables),
        "cautions": CAUTIONS,
        "cost_words": cost_words(facts),
    }


def _watches_fired(facts: Facts) -> str:
    """How many watches fired, in words; empty without watches."""
    if not facts.settings.watch:
        return ""
    results = facts.table(WATCH_RESULT)
    fired = results.filter(pl.col("is_fired"))["watch_code"].n_unique()
    return f"{fired} of {count(len(facts.settings.watch), 'watch', 'watches')} fired"


def _models_table(facts: Facts, buyer: Buyer) -> Table:
    rows = []
    for model in facts.models:
        best = facts.headline_plan(model.code, buyer.buyer_code)
        listed = facts.plan(model.code, buyer.buyer_code, "listed")
        found = saving(listed, best) if best is not None else None
        rows.append(
            (
                Link(model.title, f"sheets/{model.page}.html"),
                headline_cost(facts, best),
                complete_cost(facts, listed),
                pieces_priced(best),
                saved(found, buyer.currency_code),
                NOTHING if best is None else count(best["vendor_count"]),
                NOTHING if best is None else count(best["unfilled_piece_count"]),
            )
        )
    headings = columns(
        "Model", "#Cheapest mix", "#Exactly as designed", "#Pieces priced", "#Saved", "#Parcels", "#Missing pieces"
    )
    return Table(f"Complete cost today, in {buyer.currency_code}", headings, tuple(rows), is_stacked=True)


def _tables_table(tables: Mapping[str, pl.DataFrame]) -> Table:
    rows = tuple(
        (Link(contract.name, f"tables/{contract.name}.csv"), contract.grain, count(_row_count(tables, contract.name)))
        for contract in (*ALL_PUBLISHED, *WORKSPACE_TABLES)
        if contract.name in tables
    )
    return Table("Published tables", columns("Table", "What a row is", "#Rows"), rows)


def _row_count(tables: Mapping[str, pl.DataFrame], name: str) -> int:
    return tables.height(name) if isinstance(tables, TableFiles) else tables[name].height


def _comparison(facts: Facts) -> dict[str, Any]:
    return {
        "page_title": "All models and ways of buying compared",
        "today": day(facts.today),
        "sections": [_compared_for(facts, buyer) for buyer in facts.buyers],
        "cautions": CAUTIONS,
        "cost_words": cost_words(facts),
    }


def _compared_for(facts: Facts, buyer: Buyer) -> dict[str, Any]:
    shown = [model for model in facts.models if facts.plans(model.code, buyer.buyer_code)]
    used = [code for code in facts.scenarios if any(facts.plan(model.code, buyer.buyer_code, code) for model in shown)]
    overview: tuple[tuple[str | Link, ...], ...] = tuple(
        (
            Link(model.title, f"sheets/{model.page}.html"),
            *(_marked_cost(facts, facts.plan(model.code, buyer.buyer_code, code)) for code in used),
        )
        for model in shown
    )
    headings = columns("Model", *(f"#{facts.scenario_title(code)}" for code in used))
    compared = [
        comparison_table(
            facts,
            facts.plans(model.code, buyer.buyer_code),
            facts.plan(model.code, buyer.buyer_code, "listed"),
            f"Ways of buying, in {buyer.currency_code}",
        )
        for model in shown
    ]
    return {
        "buyer": buyer,
        "overview": Table(f"Complete cost today, in {buyer.currency_code}", headings, overview, is_stacked=True),
        "overview_note": _note(ESTIMATED, ESTIMATED_WORDS, overview),
        "models": [{"model": model, "table": table} for model, table in zip(shown, compared, strict=True)],
        "models_note": _note(FEWER_PIECES, FEWER_PIECES_WORDS, [row for table in compared for row in table.rows]),
    }


def _marked_cost(facts: Facts, plan: Row | None) -> str:
    told = complete_cost(facts, plan)
    is_estimated = plan is not None and told[-1].isdigit() and plan["unfilled_piece_count"]
    return told + (ESTIMATED if is_estimated else "")


def _note(mark: str, words: str, rows: Iterable[tuple[str | Link, ...]]) -> str:
    """A footnote, if any cell bears its mark."""
    is_used = any(isinstance(cell, str) and cell.endswith(mark) for row in rows for cell in row)
    return f"{mark} {words}" if is_used else ""
