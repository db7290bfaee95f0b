"""All pages of a generation: index, comparison, sheets with their details, monthly reports, watches."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row
from pipelines.reporting.basis.page_tables import Cell, Link, Table, columns, day
from pipelines.reporting.basis.render import write_page
from pipelines.reporting.basis.words import (
    CAUTIONS,
    COST_WORDS,
    ESTIMATED_WORDS,
    FEWER_PIECES_WORDS,
)
from pipelines.reporting.how_we_calculate import how_we_calculate
from pipelines.reporting.index_pages import index, months_list, private_index
from pipelines.reporting.model_pages.details import details
from pipelines.reporting.model_pages.needs_file import write_needs
from pipelines.reporting.model_pages.sheet import sheet
from pipelines.reporting.month.monthly_report import write_report_of
from pipelines.reporting.month.shared_pictures import index_tags, sheet_tags
from pipelines.reporting.public_data import write_public_data
from pipelines.reporting.sections.costs import (
    ESTIMATED,
    FEWER_PIECES,
    comparison_table,
    complete_cost,
)
from pipelines.reporting.sections.made import made_of
from pipelines.reporting.sections.watches import watch_page
from pipelines.settings import Buyer
from pipelines.workspace import PRIVATE, PUBLIC


def write_pages(
    tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs, folder: Path, months: Sequence[str] | None = None
) -> list[Path]:
    """Write every page below ``folder``: same tables, same bytes.

    Below ``public/``: ``index.html``; ``comparison`` and ``how-we-calculate``, each ``.html`` and ``.md``; ``sheets/<model>.html`` and ``.md``, with ``<model>-needs.csv`` and ``.xlsx`` where a model publishes its list; ``reports/<month>.html``
    and ``.md`` for every month the tables know, with a folder of a page per model, and ``reports/index.html``; ``data/costs.csv`` and ``.json``.
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
    compared, made = _comparison(page_data), made_of(page_data)
    public, private = folder / PUBLIC, folder / PRIVATE
    return [
        write_page(
            public / "index.html",
            "index.html",
            ("index",),
            made=made,
            open_graph=index_tags(page_data, page_data.settings.report.title),
            **index(page_data),
        ),
        *write_public_data(page_data, public),
        *(
            write_page(
                public / f"how-we-calculate{ending}",
                f"how_we_calculate{ending}",
                made=None,
                **how_we_calculate(page_data),
            )
            for ending in (".html", ".md")
        ),
        *(
            write_page(public / f"comparison{ending}", f"comparison{ending}", made=made, **compared)
            for ending in (".html", ".md")
        ),
        write_page(public / "reports" / "index.html", "months.html", made=made, **months_list(page_data)),
        write_page(private / "index.html", "private_index.html", made=made, **private_index(page_data, tables)),
        write_page(private / "watches.html", "watches.html", made=made, **watch_page(page_data)),
    ]


def _write_sheet(page_data: PageData, model: ReportedModel, folder: Path) -> list[Path]:
    """A model's sheet, the files of its list where that may be given away, and its details."""
    values, made = sheet(page_data, model), made_of(page_data)
    public, private = folder / PUBLIC / "sheets", folder / PRIVATE / "details"
    return [
        write_page(
            public / f"{model.page}.html",
            "sheet.html",
            ("sheet",),
            made=made,
            open_graph=sheet_tags(page_data, model),
            **values,
        ),
        write_page(public / f"{model.page}.md", "sheet.md", **values),
        *write_needs(page_data, model, public),
        write_page(
            private / f"{model.page}.html", "details.html", ("details",), made=made, **details(page_data, model)
        ),
    ]


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
    overview: tuple[tuple[Cell, ...], ...] = tuple(
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


def _note(mark: str, words: str, rows: Iterable[tuple[Cell, ...]]) -> str:
    """A footnote, if any cell has its mark."""
    is_used = any(isinstance(cell, str) and cell.endswith(mark) for row in rows for cell in row)
    return f"{mark} {words}" if is_used else ""
