"""Files of every kind for the intake tests, made on the spot; all contents are invented."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import polars as pl
import xlsxwriter

from pipelines.intake.profiles.profiles import Profile
from pipelines.intake.take_in import TakenFile, take_in
from schemas.inputs.catalogue import CODE_MAP
from schemas.validate import empty_frame, polars_schema

OUR_HEADER = (
    "vendor_code", "part_code", "colour_code", "condition", "unit_price", "currency_code", "quantity_available",
    "observed_on", "coverage",
)  # fmt: skip
OUR_ROW = ("north", "00501", "black", "new", "0.045", "EUR", "120", "2026-10-31", "full")


def write_text(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.write_bytes(text.encode(encoding))
    return path


def write_csv(
    path: Path,
    rows: list[Any],
    header: tuple[str, ...] = OUR_HEADER,
    separator: str = ",",
    encoding: str = "utf-8",
    titles: str = "",
) -> Path:
    text = io.StringIO()
    text.write(titles)
    writer = csv.writer(text, delimiter=separator, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows(rows)
    return write_text(path, text.getvalue(), encoding)


def our_row(**changes: str) -> tuple[str, ...]:
    """A good row in our columns, with some cells changed."""
    assert set(changes) <= set(OUR_HEADER)
    return tuple(changes.get(name, value) for name, value in zip(OUR_HEADER, OUR_ROW, strict=True))


def write_xlsx(path: Path, sheets: Mapping[str, Sequence[Any]]) -> Path:
    book = xlsxwriter.Workbook(str(path))
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    for name, rows in sheets.items():
        sheet = book.add_worksheet(name)
        for i, row in enumerate(rows):
            for j, value in enumerate(row):
                if isinstance(value, date):
                    sheet.write_datetime(i, j, value, day)
                elif isinstance(value, bool):
                    sheet.write_boolean(i, j, value)
                elif isinstance(value, int | float):
                    sheet.write_number(i, j, value)
                elif value is not None:
                    sheet.write_string(i, j, str(value))
    book.close()
    return path


def write_ods(path: Path, sheet: str, rows: Any) -> Path:
    body = "".join(f"<table:table-row>{''.join(map(_ods_cell, row))}</table:table-row>" for row in rows)
    spaces = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
    )
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {spaces} office:version="1.2"><office:body>'
        f'<office:spreadsheet><table:table table:name="{sheet}">{body}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    manifest = (
        '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest '
        'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>'
    )
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr("content.xml", content)
        packed.writestr("META-INF/manifest.xml", manifest)
    return path


def _ods_cell(value: object) -> str:
    if value is None:
        return "<table:table-cell/>"
    if isinstance(value, date):
        return f'<table:table-cell office:value-type="date" office:date-value="{value.isoformat()}"/>'
    if isinstance(value, int | float):
        return f'<table:table-cell office:value-type="float" office:value="{value}"/>'
    return f'<table:table-cell office:value-type="string"><text:p>{escape(str(value))}</text:p></table:table-cell>'


def cells(frame: pl.DataFrame) -> list[tuple[str | None, ...]]:
    """The rows of a read table without their positions."""
    return frame.drop("source_line_number", "record_number").rows()


def code_map(*rows: tuple[str, str, str, date, bool]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=polars_schema(CODE_MAP), orient="row") if rows else empty_frame(CODE_MAP)


def profile(**changes: object) -> Profile:
    """A profile of a source called hill, whose files are called hill_*."""
    settings = {
        "profile_name": "hill",
        "source_code": "hill",
        "table": "price_export",
        "recognise": {"file_name": "hill_*"},
        "columns": {
            "part_code": "Part",
            "colour_code": "Colour",
            "unit_price": "Price",
            "quantity_available": "Stock",
            "observed_on": "Day",
        },
        "constants": {"vendor_code": "hill", "currency_code": "EUR", "condition": "new", "coverage": "full"},
    }
    return Profile.model_validate({**settings, **changes})


HILL_HEADER = ("Part", "Colour", "Price", "Stock", "Day")


def take(path: Any, tmp_path: Path, *profiles: Profile, codes: pl.DataFrame | None = None) -> TakenFile:
    """Take a file in and check the accounts: every row read is accepted, quarantined or a repeat."""
    taken = take_in(path, list(profiles), code_map() if codes is None else codes, tmp_path / "archive")
    if taken.error is None:
        quarantined = taken.failures["record_number"].unique().sort().to_list()
        assert taken.quarantined_text["record_number"].to_list() == quarantined
        assert taken.read_row_count == taken.rows.height + len(quarantined) + taken.duplicate_row_count
        assert not set(quarantined) & set(taken.rows["record_number"])
    return taken


def rules(taken: TakenFile, record: int) -> dict[str, str]:
    """Failed column to rule, of one record."""
    failed = taken.failures.filter(pl.col("record_number") == record)
    return dict(failed.select("quarantined_column", "quarantined_rule").iter_rows())
