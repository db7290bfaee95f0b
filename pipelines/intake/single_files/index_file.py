"""A file of prices for an index: read whole or refused, with the rows that are wrong and why."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipelines.errors import InputError, UsageError
from pipelines.intake.reading.readers import ReadOptions, TextTable, open_source

NEEDED = ("month", "item_code", "price")
OPTIONAL = ("quantity", "item_class")
MAXIMUM_CELLS = 50_000_000
"""Most months times items: an index keeps a few tables of that size in memory."""

_SHOWN_ROWS = 5
_MONTH = r"^(\d{4}-(?:0[1-9]|1[0-2]))(?:-\d{2}(?:[T ][\d:.]+)?)?$"
_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"


@dataclass(frozen=True)
class IndexPrices:
    """Rows for an index, and the months in their order.

    Attributes:
        rows: month, item_code (String), price (Float64, null where none), quantity (Float64, 0 where none), item_class if there is one.
        months: every month there is a row for, earliest first.
        has_quantities: whether the file has the column.
        cautions: sentences.
    """

    rows: pl.DataFrame
    months: tuple[str, ...]
    has_quantities: bool
    cautions: tuple[str, ...]


def read_index_prices(path: Path, combine: bool = False) -> IndexPrices:
    """Read a file with the columns month, item_code and price, and maybe quantity and item_class; others are ignored.

    A month is written like 2026-10, as a date (2026-10-31), or as a whole number, all alike. A price is above 0 or empty, a quantity 0 or
    more or empty. Any kind of file is read that a price export may be: delimited text, Parquet, spreadsheets, JSON lines.

    Args:
        path: the file.
        combine: whether several rows of one month and item may stay; otherwise they are an error.

    Raises:
        UsageError: there is no such file.
        InputError: it cannot be read, a column is missing, or a row is wrong.
    """
    if not path.is_file():
        raise UsageError(f"{path} is not there, or not a file", where=str(Path.cwd()), next_step="check the path")
    table = open_source(path, str(path)).read(ReadOptions())
    _check_columns(table, path)
    columns = [name for name in (*NEEDED, *OPTIONAL) if name in table.frame.columns]
    rows = table.frame.select(
        "source_line_number", *(pl.col(name).str.strip_chars().replace("", None) for name in columns)
    )
    rows = _with_quantity(rows)
    is_numbered = bool(rows["month"].str.contains(r"^\d{1,9}$").fill_null(False).all())
    _refuse_wrong_rows(table, rows, is_numbered, path)
    rows = rows.with_columns(
        pl.col("price", "quantity").cast(pl.Float64),
        pl.col("month") if is_numbered else pl.col("month").str.extract(_MONTH),
    ).with_columns(pl.col("quantity").fill_null(0.0))
    named = rows["month"].unique().to_list()
    months = tuple(sorted(named, key=int) if is_numbered else sorted(named))
    _refuse_two_spellings(months, is_numbered, path)
    if not combine:
        _refuse_repeats(rows, path)
    item_count = rows["item_code"].n_unique()
    if len(months) * item_count > MAXIMUM_CELLS:
        raise InputError(
            f"{len(months)} months of {item_count} items are more than an index can be made of here",
            where=str(path),
            next_step="give fewer items or months",
        )
    return IndexPrices(rows.drop("source_line_number"), months, "quantity" in columns, _cautions(months, is_numbered))


def _check_columns(table: TextTable, path: Path) -> None:
    missing = [name for name in NEEDED if name not in table.frame.columns]
    if missing:
        raise InputError(
            f"{path.name} lacks the column{'s' if len(missing) > 1 else ''} {', '.join(missing)}",
            where=f"{path}, whose header has {', '.join(table.header) or 'nothing'}",
            next_step=f"name the columns {', '.join(NEEDED)} and, if known, {', '.join(OPTIONAL)}",
        )
    if not table.row_count:
        raise InputError(f"{path.name} has a header and no rows", where=str(path), next_step="fill it")


def _with_quantity(rows: pl.DataFrame) -> pl.DataFrame:
    return rows if "quantity" in rows.columns else rows.with_columns(pl.lit(None, dtype=pl.String).alias("quantity"))


def _refuse_wrong_rows(table: TextTable, rows: pl.DataFrame, is_numbered: bool, path: Path) -> None:
    """Raise an error that names the first few wrong rows, each with what is wrong; ragged rows are wrong, too."""

    def failure(name: str, rule: str) -> pl.Expr:
        return pl.format("{} {} {}", pl.lit(name), pl.col(name).fill_null("(empty)").str.slice(0, 40), pl.lit(rule))

    def is_number(name: str, at_least: str) -> pl.Expr:
        value = pl.when(pl.col(name).str.contains(_NUMBER)).then(pl.col(name)).cast(pl.Float64, strict=False)
        within = value.is_finite() & (value > 0 if at_least == "above 0" else value >= 0)
        return within.fill_null(False) | pl.col(name).is_null()

    month = pl.lit(is_numbered) | pl.col("month").str.contains(_MONTH).fill_null(False)
    rules = [
        (month, failure("month", "is not written like 2026-10, nor are all months whole numbers")),
        (pl.col("item_code").is_not_null(), failure("item_code", "is missing")),
        (is_number("price", "above 0"), failure("price", "is not a number above 0")),
        (is_number("quantity", "0 or more"), failure("quantity", "is not a number of 0 or more")),
    ]
    wrong = pl.concat(rows.filter(~rule).select("source_line_number", what.alias("what")) for rule, what in rules)
    ragged = table.problems.select("source_line_number", pl.col("quarantined_rule").alias("what"))
    wrong = pl.concat([wrong, ragged.cast(wrong.schema)]).sort("source_line_number", maintain_order=True)
    if wrong.height:
        raise _broken(path, "cannot be used", wrong)


def _refuse_two_spellings(months: tuple[str, ...], is_numbered: bool, path: Path) -> None:
    if is_numbered and len({int(month) for month in months}) < len(months):
        raise InputError("a month is written in two ways, such as 1 and 01", where=str(path), next_step="choose one")


def _refuse_repeats(rows: pl.DataFrame, path: Path) -> None:
    repeated = rows.filter(pl.struct("month", "item_code").is_duplicated()).sort(
        "month", "item_code", maintain_order=True
    )
    if repeated.height:
        what = pl.format("item {} has more than one row in {}", "item_code", "month").alias("what")
        raise _broken(
            path,
            "share a month and an item",
            repeated.select("source_line_number", what),
            "keep one of them, or give --unit-values to take their mean price per piece",
        )


def _broken(path: Path, fault: str, wrong: pl.DataFrame, next_step: str = "") -> InputError:
    count = wrong["source_line_number"].n_unique()
    lines = [f"line {line}: {what}" for line, what in wrong.head(_SHOWN_ROWS).iter_rows()]
    more = f"; and {wrong.height - _SHOWN_ROWS} more" if wrong.height > _SHOWN_ROWS else ""
    return InputError(
        f"{count} row{'s' if count > 1 else ''} of {path.name} {fault}",
        where=f"{path}, {'; '.join(lines)}{more}",
        state="no index was made",
        next_step=next_step or f"correct {'them' if count > 1 else 'it'} and run the command again",
    )


def _cautions(months: tuple[str, ...], is_numbered: bool) -> tuple[str, ...]:
    """Months that are missing altogether: links and windows step over them."""
    places = [int(month) if is_numbered else int(month[:4]) * 12 + int(month[5:]) for month in months]
    missing = places[-1] - places[0] + 1 - len(places)
    if not missing:
        return ()
    are = "month between the first and the last has" if missing == 1 else "months between the first and the last have"
    return (f"{missing} {are} no row: links and windows step over {'it' if missing == 1 else 'them'}",)
