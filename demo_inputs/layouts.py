"""Writes a night's rows of the market in the shape of each source. Byte for byte the same for the same rows."""

from __future__ import annotations

import gzip
import io
from datetime import date, datetime
from pathlib import Path

import polars as pl
import xlsxwriter

from .profile_texts import (
    FELLS_COLOURS,
    FELLS_HEADER,
    FELLS_VENDORS,
    HALL_NAMES,
    ISLES_HEADER,
    LEDGER_HEADER,
    TARN_HEADER,
    fells_part_code,
)
from .vendor_list import MAKER, SCALE

BINS_COLUMNS = (
    "vendor_code", "observed_on", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity", "unit_price", "currency_code",
    "quantity_available", "sold_in_multiples_of", "form_certainty", "coverage", "revision_number",
)  # fmt: skip


def decimal_text(units: pl.Expr, digits: int, point: str = ".") -> pl.Expr:
    """Whole units of 10^-digits as text: 43 with 3 digits is 0.043."""
    scale = 10**digits
    fraction = (units % scale).cast(pl.String).str.zfill(digits)
    return pl.concat_str((units // scale).cast(pl.String), pl.lit(point), fraction)


def _price_text(point: str = ".") -> pl.Expr:
    """The price with the decimals its vendor shows: 3, or 2 where the smallest step is a hundredth."""
    coarse = pl.col("price_unit") == 100
    return (
        pl.when(coarse)
        .then(decimal_text(pl.col("price_e4") // 100, 2, point))
        .otherwise(decimal_text(pl.col("price_e4") // 10, 3, point))
    )


def bins_rows(rows: pl.DataFrame, revision: int = 0, coverage: str = "full") -> pl.DataFrame:
    """Text in our own columns."""
    return rows.select(
        "vendor_code",
        pl.col("observed_on").cast(pl.String),
        "part_code",
        "colour_code",
        "condition",
        pl.col("listing").alias("listing_code"),
        pl.col("step").cast(pl.String).alias("step_from_quantity"),
        _price_text().alias("unit_price"),
        pl.col("currency").alias("currency_code"),
        pl.col("quantity").cast(pl.String).alias("quantity_available"),
        pl.col("multiple").cast(pl.String).alias("sold_in_multiples_of"),
        pl.when("is_open").then(pl.lit("open")).otherwise(pl.lit("stated")).alias("form_certainty"),
        pl.lit(coverage).alias("coverage"),
        pl.lit(str(revision)).alias("revision_number"),
    )


def write_bins(text: pl.DataFrame, path: Path) -> None:
    """CSV in our own columns, packed with gzip where the name says so."""
    data = text.write_csv().encode()
    path.write_bytes(gzip.compress(data, 5, mtime=0) if path.suffix == ".gz" else data)


def fells_rows(rows: pl.DataFrame) -> pl.DataFrame:
    """Text as the source fells writes it: its own names for vendors, parts and colours, decimal commas."""
    parts = {code: fells_part_code(code) for code in rows["part_code"].unique().sort()}
    quantity = pl.col("quantity")
    grouped = pl.concat_str(
        (quantity // 1000).cast(pl.String), pl.lit("."), (quantity % 1000).cast(pl.String).str.zfill(3)
    )
    cells = [
        pl.col("vendor_code").replace_strict(FELLS_VENDORS, return_dtype=pl.String),
        pl.col("part_code").replace_strict(parts, return_dtype=pl.String),
        pl.col("colour_code").replace_strict(FELLS_COLOURS, return_dtype=pl.String),
        pl.col("condition").replace_strict({"new": "ny", "used": "begagnad"}, return_dtype=pl.String),
        pl.col("listing"),
        pl.col("step").cast(pl.String),
        _price_text(","),
        pl.col("currency"),
        pl.when(quantity >= 1000).then(grouped).otherwise(quantity.cast(pl.String)),
        pl.col("observed_on").dt.strftime("%d.%m.%Y"),
    ]
    return rows.select(cell.alias(name) for cell, name in zip(cells, FELLS_HEADER, strict=True))


def write_fells(text: pl.DataFrame, path: Path, day: date, more_lines: tuple[str, ...] = ()) -> None:
    """Semicolons, Windows-1252, a title line above the header."""
    title = f"Prislistor från åtta säljare den {day:%d.%m.%Y}\n"
    body = text.write_csv(separator=";", line_terminator="\n") + "".join(line + "\n" for line in more_lines)
    path.write_bytes((title + body).replace("\n", "\r\n").encode("windows-1252"))


def isles_rows(rows: pl.DataFrame) -> pl.DataFrame:
    """Text as the source isles writes it: cheap pieces priced by ten, dearer ones by five or singly."""
    usual = pl.col("log_price").exp()
    packed = rows.with_columns(pl.when(usual < 0.07).then(10).when(usual < 0.15).then(5).otherwise(1).alias("pack"))
    quantity = pl.col("quantity")
    grouped = pl.concat_str(
        (quantity // 1000).cast(pl.String), pl.lit(","), (quantity % 1000).cast(pl.String).str.zfill(3)
    )
    cells = [
        pl.col("vendor_code"),
        pl.col("part_code"),
        pl.col("colour_code"),
        pl.col("condition").replace_strict({"new": "fresh", "used": "worn"}, return_dtype=pl.String),
        pl.col("pack").cast(pl.String),
        decimal_text(pl.col("price_e4") * pl.col("pack") // 10, 3),
        pl.when(quantity >= 1000).then(grouped).otherwise(quantity.cast(pl.String)),
        pl.col("multiple").cast(pl.String),
        pl.col("listing"),
        pl.when("is_open").then(pl.lit("no")).otherwise(pl.lit("yes")),
    ]
    return packed.select(cell.alias(name) for cell, name in zip(cells, ISLES_HEADER, strict=True))


def write_isles(text: pl.DataFrame, path: Path) -> None:
    """Tabs, UTF-16 with a byte order mark."""
    path.write_bytes(b"\xff\xfe" + text.write_csv(separator="\t").encode("utf-16-le"))


def write_tarn(rows: pl.DataFrame, path: Path) -> None:
    """A workbook: a sheet that explains, and a sheet of prices with the header in its third row."""
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True})
    book.set_properties({"created": datetime(2024, 1, 1)})
    date_format = book.add_format({"num_format": "yyyy-mm-dd"})
    notes, sheet = book.add_worksheet("Läs mig"), book.add_worksheet("Priser")
    notes.write_string(0, 0, "Påhittade priser från tre påhittade handlare.")
    sheet.write_string(0, 0, "Priser i kronor")
    for column, name in enumerate(TARN_HEADER):
        sheet.write_string(2, column, name)
    needed = rows.filter(pl.col("listing") == "").select(
        "vendor_code", "part_code", "colour_code", "condition", "price_e4", "quantity", "observed_on"
    )
    for number, (vendor, part, colour, condition, price, quantity, day) in enumerate(needed.iter_rows(), 3):
        for column, text in enumerate((vendor, part, colour, "ny" if condition == "new" else "begagnad")):
            sheet.write_string(number, column, text)
        sheet.write_number(number, 4, price / 10_000)
        sheet.write_number(number, 5, quantity)
        sheet.write_datetime(number, 6, datetime(day.year, day.month, day.day), date_format)
    book.close()
    path.write_bytes(buffer.getvalue())


def write_hall(rows: pl.DataFrame, path: Path) -> None:
    """JSON lines of the maker's shop."""
    # Polars multiplies by the inverse, which shows 0.03 as 0.030000000000000002; numpy divides.
    price = pl.Series(rows["price_e4"].to_numpy() / 10_000)
    cells = [
        rows["part_code"],
        rows["colour_code"],
        price,
        rows["quantity"],
        rows["assortment"],
        pl.repeat(200, rows.height, eager=True),
        rows["observed_on"].cast(pl.String),
    ]
    path.write_text(pl.DataFrame(dict(zip(HALL_NAMES, cells, strict=True))).write_ndjson(), encoding="utf-8")


def write_ledger(rows: pl.DataFrame, path: Path, more: pl.DataFrame) -> int:
    """A summary of the independents' offers of what models need, in EUR, by element and condition; ``more`` has rows of the same shape.

    Returns:
        The number of rows.
    """
    scale = pl.col("currency").replace_strict(SCALE, return_dtype=pl.Float64)
    followed = (pl.col("need") > 0) & (pl.col("vendor_code") != MAKER) & (pl.col("step") == 1)
    offers = rows.filter(followed).with_columns((pl.col("price_e4") / scale).alias("eur_e4"))
    summary = (
        offers.group_by("part_code", "colour_code", "condition")
        .agg(
            pl.col("eur_e4").min().round().cast(pl.Int64).alias("lowest"),
            ((pl.col("eur_e4") * pl.col("quantity")).sum() / pl.col("quantity").sum())
            .round()
            .cast(pl.Int64)
            .alias("mean"),
            pl.col("quantity").sum().cast(pl.Int64),
            pl.col("vendor_code").n_unique().cast(pl.Int64).alias("sellers"),
            pl.col("observed_on").first(),
        )
        .sort("part_code", "colour_code", "condition")
    )
    every = pl.concat([summary, more.select(summary.columns)]).sort("part_code", "colour_code", "condition")
    cells = [
        pl.col("part_code"), pl.col("colour_code"), pl.col("condition"), decimal_text(pl.col("lowest"), 4), decimal_text(pl.col("mean"), 4),
        pl.col("quantity"), pl.col("sellers"), pl.col("observed_on").cast(pl.String),
    ]  # fmt: skip
    named = every.select(cell.alias(name) for cell, name in zip(cells, LEDGER_HEADER, strict=True))
    path.write_text(named.write_csv(separator="|"), encoding="utf-8")
    return named.height
