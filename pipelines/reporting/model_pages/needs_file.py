"""A model's list with what may differ, as files that ``kitfare plan --needs`` takes: for models that publish all of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import polars as pl

from pipelines.demand.model_portions import portions_on
from pipelines.reporting.basis.csv_cells import without_formulas
from pipelines.reporting.basis.page_data import PageData, ReportedModel
from schemas.inputs.plan_files import PLAN_NEEDS
from schemas.published.plans import PLAN_LINE

ENDINGS = (".csv", ".xlsx")


def needs_name(model: ReportedModel) -> str:
    """The name of a model's files, without ending."""
    return f"{model.page}-needs"


def has_needs(page_data: PageData, model: ReportedModel) -> bool:
    """Whether a model's list may be given away, and there is one today."""
    return model.publish_lines == "all" and needs_of(page_data, model).height > 0


def needs_of(page_data: PageData, model: ReportedModel) -> pl.DataFrame:
    """PLAN_NEEDS of today as text: every portion with its rule, reinforcements included; empty before the first list.

    A portion without a listed colour takes the one that a plan buys, since a file needs one; any other would do as well.
    """
    if model.inputs is None or page_data.today is None:
        return pl.DataFrame(schema=dict.fromkeys(PLAN_NEEDS.columns, pl.String()))
    portions = portions_on(model.inputs, page_data.today, use_flexibility=True)
    codes = ("accept_colour_codes", "refuse_colour_codes", "accept_conditions")
    listed = pl.col("listed_colour_code")
    needs = (
        portions.join(
            _bought_colours(page_data, model), on=["line_number", "portion_number"], how="left", maintain_order="left"
        )
        .with_columns(
            *(pl.col(name).list.join(";") for name in codes),
            pl.col("listed_part_code").alias("part_code"),
            pl.when(listed == "")
            .then(pl.coalesce("bought_colour_code", pl.lit(_commonest(portions))))
            .otherwise(listed)
            .alias("colour_code"),
            # A portion whose colour is still to be decided is bought as listed.
            pl.col("colour_rule").replace("undecided", "as_listed"),
            pl.lit("").alias("flexible_quantity"),
            pl.col("is_load_bearing").cast(pl.String()),
        )
        .select(PLAN_NEEDS.columns)
    )
    return needs.cast(pl.String()).fill_null("")


def _bought_colours(page_data: PageData, model: ReportedModel) -> pl.DataFrame:
    lines = page_data.rows_today(PLAN_LINE).filter(pl.col("model_code") == model.code)
    return lines.group_by("line_number", "portion_number").agg(pl.col("colour_code").min().alias("bought_colour_code"))


def _commonest(portions: pl.DataFrame) -> str:
    listed = (
        portions.filter(pl.col("listed_colour_code") != "").group_by("listed_colour_code").agg(pl.col("quantity").sum())
    )
    ranked = listed.sort("quantity", "listed_colour_code", descending=[True, False])["listed_colour_code"]
    return str(ranked[0]) if ranked.len() else ""


def write_needs(page_data: PageData, model: ReportedModel, folder: Path) -> list[Path]:
    """Write ``<model>-needs.csv`` and ``.xlsx``; nothing where the model does not publish all of its list."""
    if not has_needs(page_data, model):
        return []
    needs = needs_of(page_data, model)
    folder.mkdir(parents=True, exist_ok=True)
    written = [folder / f"{needs_name(model)}{ending}" for ending in ENDINGS]
    without_formulas(needs).write_csv(written[0])
    _write_workbook(needs, written[1])
    return written


def _write_workbook(needs: pl.DataFrame, path: Path) -> None:
    """One sheet of text, because codes are text; same needs, same bytes."""
    from datetime import datetime

    import xlsxwriter

    options: dict[str, Any] = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"created": datetime(2000, 1, 1)})  # noqa: DTZ001 - the file format has no time zone
        sheet = book.add_worksheet("needs")
        for column, name in enumerate(needs.columns):
            sheet.write_string(0, column, name)
            sheet.set_column(column, column, max(len(name), 8) + 1)
        for row, cells in enumerate(needs.iter_rows(), 1):
            for column, cell in enumerate(cells):
                sheet.write_string(row, column, cell)
        sheet.freeze_panes(1, 0)
