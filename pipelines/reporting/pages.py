"""All pages of a generation: index, comparison, sheets with their details, monthly reports, watches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from statistics import median
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, saving
from pipelines.reporting.basis.page_tables import NOTHING, Link, Table, columns, count, day, month_name, percent
from pipelines.reporting.basis.render import write_page
from pipelines.reporting.basis.words import (
    CAUTIONS,
    COMPLETE_COST_WORDS,
    COST_WORDS,
    ESTIMATED_WORDS,
    FEWER_PIECES_WORDS,
    PRIVATE_WORDS,
)
from pipelines.reporting.how_we_calculate import how_we_calculate
from pipelines.reporting.model_pages.details import details
from pipelines.reporting.model_pages.sheet import sheet
from pipelines.reporting.month.monthly_report import write_report_of
from pipelines.reporting.month.shared_pictures import index_tags, sheet_tags
from pipelines.reporting.sections.costs import (
    ESTIMATED,
    FEWER_PIECES,
    comparison_table,
    complete_cost,
    headline_cost,
    pieces_priced,
    saving_ends,
    saving_words,
)
from pipelines.reporting.sections.made import made_words
from pipelines.reporting.sections.suspects import suspect_section
from pipelines.reporting.sections.watches import watch_page
from pipelines.settings import Buyer
from pipelines.warehouse.publishing.table_files import TableFiles
from pipelines.workspace import PRIVATE, PUBLIC
from schemas.all_tables import ALL_PUBLISHED, WORKSPACE_TABLES
from schemas.published.watches import WATCH_RESULT


def write_pages(
    tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs, folder: Path, months: Sequence[str] | None = None
) -> list[Path]:
    """Write every page below ``folder``: same tables, same bytes.

    Below ``public/``: ``index.html``; ``comparison`` and ``how-we-calculate``, each ``.html`` and ``.md``; ``sheets/<model>.html`` and ``.md``; ``reports/<month>.html``
    and ``.md`` for every month the tables know, with a folder of a page per model, and ``reports/index.html``.
    Below ``private/``: ``index.html``, ``details/<model>.html``, ``watches.html``.

    Args:
        tables: the generation's tables by name, or its files of them.
        inputs: the workspace's settings, tables and models.
        folder: the generation's folder.
        months: those to write reports of; all if None.

    Returns:
        The files written.
    """
    site = Site(tables, inputs, folder)
    return [path for group in page_groups(site.page_data, months) for path in write_page_group(site, group)]


@dataclass(frozen=True)
class Site:
    """What the pages are made from, and where they go. Processes are given this: tables in files are a path to them."""

    tables: Mapping[str, pl.DataFrame]
    inputs: WorkspaceInputs
    folder: Path

    @cached_property
    def page_data(self) -> PageData:
        """The tables, looked up: once in each process that writes pages."""
        return PageData(self.tables, self.inputs)


PageGroup = tuple[str, str]
"""Pages that are written together: ("overviews", ""), ("sheet", model code) or ("month", month)."""


def page_groups(page_data: PageData, months: Sequence[str] | None = None) -> list[PageGroup]:
    """All groups of pages; the reports are those of ``months``, or of every month if None."""
    return [
        ("overviews", ""),
        *(("sheet", model.code) for model in page_data.models),
        *(("month", month) for month in (page_data.months() if months is None else months)),
    ]


def write_page_group(site: Site, group: PageGroup) -> list[Path]:
    """Write some of the pages; the others need not be there."""
    kind, name = group
    if kind == "overviews":
        return _write_overviews(site.page_data, site.tables, site.folder)
    if kind == "month":
        return write_report_of(site.page_data, name, site.folder)
    model = next(model for model in site.page_data.models if model.code == name)
    return _write_sheet(site.page_data, model, site.folder)


def _write_overviews(page_data: PageData, tables: Mapping[str, pl.DataFrame], folder: Path) -> list[Path]:
    """The pages about all models: the index, the comparison, the list of reports, the watches."""
    compared, archive, made = _comparison(page_data), _months_table(page_data), made_words(page_data)
    public, private = folder / PUBLIC, folder / PRIVATE
    return [
        write_page(
            public / "index.html",
            "index.html",
            made=made,
            open_graph=index_tags(page_data, page_data.settings.report.title),
            **_index(page_data),
        ),
        *(
            write_page(
                public / f"how-we-calculate{ending}",
                f"how_we_calculate{ending}",
                made="",
                **how_we_calculate(page_data),
            )
            for ending in (".html", ".md")
        ),
        *(
            write_page(public / f"comparison{ending}", f"comparison{ending}", made=made, **compared)
            for ending in (".html", ".md")
        ),
        write_page(
            public / "reports" / "index.html", "months.html", made=made, page_title="Monthly reports", months=archive
        ),
        write_page(private / "index.html", "private_index.html", made=made, **_private_index(page_data, tables)),
        write_page(private / "watches.html", "watches.html", made=made, **watch_page(page_data)),
    ]


def _write_sheet(page_data: PageData, model: ReportedModel, folder: Path) -> list[Path]:
    """A model's sheet and its details."""
    values, made = sheet(page_data, model), made_words(page_data)
    public, private = folder / PUBLIC / "sheets", folder / PRIVATE / "details"
    return [
        write_page(
            public / f"{model.page}.html", "sheet.html", made=made, open_graph=sheet_tags(page_data, model), **values
        ),
        write_page(public / f"{model.page}.md", "sheet.md", **values),
        write_page(private / f"{model.page}.html", "details.html", made=made, **details(page_data, model)),
    ]


def _months_table(page_data: PageData) -> Table:
    """The archive: every month with a report, latest first, with its prices against the month before."""
    rows = []
    for month in reversed(page_data.months()):
        changes = [
            index["change_1_month_pct"]
            for model in page_data.models
            for buyer in page_data.buyers[:1]
            if (index := page_data.index(model.code, buyer.buyer_code, month)) is not None
            and not index["is_withheld"]
            and index["change_1_month_pct"] is not None
        ]
        rows.append(
            (
                Link(month_name(month), f"{month}.html"),
                day(page_data.last_date_in(month)),
                percent(median(changes), signed=True) if changes else NOTHING,
                count(len(changes)),
            )
        )
    headings = columns("Month", "Prices up to", "#Prices, 1 month (median)", "#Models compared")
    return Table("Reports by month", headings, tuple(rows), is_stacked=True)


def _index(page_data: PageData) -> dict[str, Any]:
    months = page_data.months()
    return {
        "page_title": page_data.settings.report.title,
        "today": day(page_data.today),
        "sections": [{"buyer": buyer, "models": _models_table(page_data, buyer)} for buyer in page_data.buyers],
        "latest_report": (month_name(months[-1]), f"reports/{months[-1]}.html") if months else None,
        "cost_words": COMPLETE_COST_WORDS,
    }


def _private_index(page_data: PageData, tables: Mapping[str, pl.DataFrame]) -> dict[str, Any]:
    return {
        "page_title": f"{page_data.settings.report.title}: private pages",
        "today": day(page_data.today),
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


def _models_table(page_data: PageData, buyer: Buyer) -> Table:
    rows = []
    for model in page_data.models:
        best = page_data.headline_plan(model.code, buyer.buyer_code)
        listed = page_data.plan(model.code, buyer.buyer_code, "listed")
        found = saving(listed, best) if best is not None else None
        rows.append(
            (
                Link(model.title, f"sheets/{model.page}.html"),
                headline_cost(page_data, best),
                complete_cost(page_data, listed),
                pieces_priced(best),
                saving_words(found, buyer.currency_code),
                saving_ends(found, buyer.currency_code),
                NOTHING if best is None else count(best["vendor_count"]),
                NOTHING if best is None else count(best["unfilled_piece_count"]),
            )
        )
    headings = columns(
        "Model",
        f"#{page_data.scenario_title('cheapest')}",
        f"#{page_data.scenario_title('listed')}",
        "#Pieces priced",
        "#Saved",
        "#Between",
        "#Parcels",
        "#Missing pieces",
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


def _comparison(page_data: PageData) -> dict[str, Any]:
    return {
        "page_title": "Ways of buying compared",
        "today": day(page_data.today),
        "sections": [_compared_for(page_data, buyer) for buyer in page_data.buyers],
        "cautions": CAUTIONS,
        "cost_words": COST_WORDS,
        "saved_against": page_data.scenario_title("listed"),
    }


def _compared_for(page_data: PageData, buyer: Buyer) -> dict[str, Any]:
    shown = [model for model in page_data.models if page_data.plans(model.code, buyer.buyer_code)]
    used = [
        code
        for code in page_data.scenarios
        if any(page_data.plan(model.code, buyer.buyer_code, code) for model in shown)
    ]
    overview: tuple[tuple[str | Link, ...], ...] = tuple(
        (
            Link(model.title, f"sheets/{model.page}.html"),
            *(_marked_cost(page_data, page_data.plan(model.code, buyer.buyer_code, code)) for code in used),
        )
        for model in shown
    )
    headings = columns("Model", *(f"#{page_data.scenario_title(code)}" for code in used))
    compared = [
        comparison_table(
            page_data,
            page_data.plans(model.code, buyer.buyer_code),
            page_data.plan(model.code, buyer.buyer_code, "listed"),
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


def _marked_cost(page_data: PageData, plan: Row | None) -> str:
    cost = complete_cost(page_data, plan)
    is_estimated = plan is not None and cost[-1].isdigit() and plan["unfilled_piece_count"]
    return cost + (ESTIMATED if is_estimated else "")


def _note(mark: str, words: str, rows: Iterable[tuple[str | Link, ...]]) -> str:
    """A footnote, if any cell has its mark."""
    is_used = any(isinstance(cell, str) and cell.endswith(mark) for row in rows for cell in row)
    return f"{mark} {words}" if is_used else ""
