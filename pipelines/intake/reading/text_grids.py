"""Rows of text files as grids: CSV with quotes or without, and JSON lines."""

from __future__ import annotations

from itertools import islice

import polars as pl

from pipelines.errors import UnreadableFileError
from pipelines.intake.reading import text_files
from pipelines.intake.reading.tabular import BLANKS, Grid, GridBuilder, check_header
from schemas.validate import POSITION_COLUMNS


def header_place(text: str, header_line: int | None, separator: str | None, where: str) -> tuple[int, str]:
    """The line of the header and the separator, found in the text where they are not given.

    Raises:
        UnreadableFileError: the header is blank.
    """
    lines = text_files.lines_of(text)
    if header_line is not None:
        number, header = header_line, next(islice(lines, header_line - 1, None), "")
    else:
        number, header = next(((n, line) for n, line in enumerate(lines, 1) if line.strip(BLANKS)), (1, ""))
    if not header.strip(BLANKS):
        raise UnreadableFileError(
            f"line {number} should be the header and is blank",
            where=where,
            next_step="correct header_line in the profile",
        )
    return number, separator or text_files.find_separator(header, next(lines, ""))


def first_row(text: str, separator: str, line: int, where: str) -> list[str]:
    """The cells of the row that begins on a line."""
    return next(text_files.csv_rows(text, separator, line, where))[1]


def quoted_grid(text: str, separator: str, line: int, header: tuple[str, ...], where: str) -> Grid:
    """The rows below the header, by the rules of quoting."""
    rows = text_files.csv_rows(text, separator, line, where)
    next(rows)
    builder = GridBuilder(header, separator, may_have_nul="\0" in text)
    for start, cells in rows:
        builder.add(start, cells)
    return builder.grid()


def plain_grid(text: str, separator: str, line: int, header: tuple[str, ...]) -> Grid | None:
    """As :func:`quoted_grid` for text without a quote in which every row has as many cells as the header; else None."""
    body = text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
    numbered = pl.DataFrame({"text": [body]}).select(pl.col("text").str.split("\n").explode())
    numbered = numbered.with_row_index("line", offset=1).slice(line)
    numbered = numbered.filter(pl.col("text").str.strip_chars(BLANKS + separator) != "")
    if not (numbered["text"].str.count_matches(separator, literal=True) == len(header) - 1).all():
        return None
    numbered = numbered.select(
        pl.col("line").cast(pl.Int64).alias(POSITION_COLUMNS[0]),
        pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias(POSITION_COLUMNS[1]),
        pl.col("text"),
    )
    if len(header) == 1:
        return Grid.regular(tuple(header), numbered.rename({"text": "field_0"}))
    cells = pl.col("text").str.split_exact(separator, len(header) - 1).struct.unnest()
    return Grid.regular(tuple(header), numbered.select(*POSITION_COLUMNS, cells))


def even_grid(text: bytes, separator: str, header: tuple[str, ...]) -> Grid | None:
    """As :func:`plain_grid`, several times faster, for a text of which every line is a row that begins with a filled cell."""
    width, row_count = len(header), text.count(b"\n") + (not text.endswith(b"\n"))
    if width < 2 or not separator.isascii() or text.count(separator.encode()) != row_count * (width - 1):
        return None
    try:
        cells = pl.read_csv(
            text, has_header=False, separator=separator, quote_char=None, infer_schema=False,
            empty_string_is_null=False, extra_columns="raise", new_columns=[f"field_{number}" for number in range(width)],
        )  # fmt: skip
    except pl.exceptions.PolarsError:
        # A line has more cells than the header. Since the separators add up, one with fewer cells also means one with more.
        return None
    # Lines that are skipped as blank, and rows that may be wholly empty.
    if cells.shape != (row_count, width) or (cells.to_series(0).str.strip_chars(BLANKS) == "").any():
        return None
    numbers = [pl.int_range(1, row_count + 1, dtype=pl.Int64).alias(name) for name in POSITION_COLUMNS]
    return Grid.regular(tuple(header), cells.select(*numbers, pl.all()))


def shifted(frame: pl.DataFrame, lines: int, records: int) -> pl.DataFrame:
    """Rows with so many lines and records added to their positions."""
    line, record = POSITION_COLUMNS
    return frame.with_columns(pl.col(line) + lines, pl.col(record) + records)


def json_grid(text: str, where: str) -> Grid:
    """One row per line of JSON, a column per name that any of them has.

    Raises:
        UnreadableFileError: no line is an object.
    """
    parsed = list(text_files.json_rows(text))
    names = dict.fromkeys(name for _, _, row in parsed if isinstance(row, dict) for name in row)
    if not names:
        raise UnreadableFileError(
            "no line of the file is a JSON object", where=where, next_step="write one flat JSON object per line"
        )
    may_have_nul = "\\u0000" in text
    builder = GridBuilder(check_header(list(names), where, 1), "", may_have_nul=may_have_nul)
    for number, raw, row in parsed:
        if isinstance(row, dict):
            builder.add(number, [row.get(name) for name in names])
        else:
            builder.add_problem(number, [], raw, row, "write one flat JSON object per line")
    return builder.grid()
