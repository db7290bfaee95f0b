"""Spreadsheets and Parquet files as text."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from datetime import time

import polars as pl

from pipelines.errors import UnreadableFileError
from pipelines.intake.reading import spreadsheet_rows
from pipelines.intake.reading.spreadsheet_rows import number_text
from pipelines.intake.reading.tabular import BLANKS, Grid, check_header

MAXIMUM_CELLS = 200_000_000
SPREADSHEET_SECONDS = 300


def sheet_rows(data: bytes, sheet: str | None, where: str) -> tuple[list[str], list[list[str]]]:
    """The names of all sheets, and the rows of one from its first row on; see :mod:`pipelines.intake.reading.spreadsheet_rows`.

    Raises:
        UnreadableFileError: the file is no spreadsheet, has no such sheet, or asks for too much memory or time.
    """
    # By its path and isolated (-I), so that nothing in the working folder can stand in for a module.
    command = [sys.executable, "-I", spreadsheet_rows.__file__, sheet or ""]
    try:
        done = subprocess.run(command, input=data, capture_output=True, timeout=SPREADSHEET_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        raise UnreadableFileError(
            f"the spreadsheet could not be read within {SPREADSHEET_SECONDS} seconds",
            where=where,
            next_step="save the sheet as CSV",
        ) from None
    lines = done.stdout.splitlines()
    if done.returncode:
        error_lines = done.stderr.decode(errors="replace").strip().splitlines()
        is_too_much = done.returncode < 0 or "MemoryError" in error_lines[-1:]
        reason = "it asks for too much memory" if is_too_much else error_lines[-1]
        raise UnreadableFileError(
            f"the spreadsheet cannot be read: {reason}",
            where=where,
            next_step="delete cells far outside the table, remove a password, or save the sheet as CSV",
        )
    names = json.loads(lines[0])
    if sheet is not None and sheet not in names:
        raise UnreadableFileError(
            f"there is no sheet called {sheet!r}",
            where=where,
            next_step=f"its sheets are: {', '.join(names)}; correct sheet in the profile",
        )
    rows: list[list[str]] = [json.loads(line) for line in lines[1:]]
    if not any(cell.strip(BLANKS) for row in rows for cell in row):
        raise UnreadableFileError("the sheet is empty", where=where, next_step="name another sheet in a profile")
    return names, rows


def parquet_grid(data: bytes, where: str) -> Grid:
    """A Parquet file as text; the line of a row is its number.

    Raises:
        UnreadableFileError: the file is damaged, too large, or has columns of lists, structures or bytes.
    """
    try:
        frame = _read_parquet(data, where)
    except UnreadableFileError:
        raise
    except (Exception, pl.exceptions.PanicException) as error:  # damaged bytes raise whatever they happen to hit
        reason = (str(error).splitlines() or [type(error).__name__])[0][:200]
        raise UnreadableFileError(
            f"the Parquet file is damaged: {reason}", where=where, next_step="export it again"
        ) from None
    header = check_header(frame.columns, where, 1)
    text = pl.DataFrame([_series_text(series, where).alias(f"field_{n}") for n, series in enumerate(frame)])
    is_filled = pl.any_horizontal(pl.col(name).fill_null("").str.strip_chars(BLANKS) != "" for name in text.columns)
    numbered = text.with_row_index("_line", offset=1).filter(is_filled).with_row_index("_record", offset=1)
    return Grid.regular(header, numbered.select("_line", "_record", *text.columns)).without_nul()


def _read_parquet(data: bytes, where: str) -> pl.DataFrame:
    """By pyarrow: on some damaged files Polars' own reader asks for more memory than there is and ends the process."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    file = pq.ParquetFile(io.BytesIO(data))
    if file.metadata.num_rows * max(file.metadata.num_columns, 1) > MAXIMUM_CELLS:
        raise UnreadableFileError(
            f"the file has more than {MAXIMUM_CELLS:,} cells", where=where, next_step="split it into several files"
        )
    table = file.read()
    table.validate(full=True)
    # Without the file's metadata: damaged bytes in it would make Polars panic, and nothing here needs it.
    return pl.DataFrame(pa.Table.from_arrays(table.columns, names=table.column_names))


def _series_text(series: pl.Series, where: str) -> pl.Series:
    kind = series.dtype
    if kind.is_nested() or kind in (pl.Binary, pl.Object):
        raise UnreadableFileError(
            f"column {series.name} holds {kind}, not one value per cell", where=where, next_step="write it as text"
        )
    if kind.is_float():
        return series.map_elements(number_text, return_dtype=pl.String)
    if kind == pl.Datetime:
        # A day with no time of day is a date that its writer kept as a timestamp.
        day, moment = series.dt.to_string("%Y-%m-%d"), series.dt.to_string("iso:strict")
        is_day = series.dt.time() == time()
        return pl.select(pl.when(is_day).then(day).otherwise(moment)).to_series().alias(series.name)
    return series.cast(pl.String)
