"""What goes wrong on purpose, so that a first refresh shows what is quarantined and why. README.md describes each."""

from __future__ import annotations

from datetime import date

import polars as pl

STOCKTAKING = ("hobblecote", date(2026, 10, 17))
"""On this night the vendor's full list has a third of its rows: it waits for `kitfare accept`."""
BAD_BINS_NIGHT = date(2026, 10, 30)
BAD_FELLS_NIGHT = date(2026, 10, 29)
CORRECTION = ("ardlepuck", date(2026, 9, 30), 1.5)
"""A late partial export, revision 1: twelve prices of that date had been listed too high by this factor."""
SLIPS = (
    ("vessmoor", date(2026, 10, 31), 0.1),
    ("ardlepuck", date(2026, 10, 31), 10.0),
    ("quillrock", date(2026, 5, 31), 12.0),
)
"""(vendor, date, factor): one price with a slipped decimal point, on one date each."""
PACKS = (
    ("hobblecote", date(2026, 10, 31), 1),
    ("tangleholt", date(2026, 10, 31), -1),
)
"""(vendor, date, power): one price of something sold in fives or tens, on one date: a pack's price in place of a piece's, or
a piece's price divided by the pack once more."""
UNREADABLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(range(256)) * 4
"""A file of a kind that is not read: the head of an old office document."""


def slipped(rows: pl.DataFrame, day: date) -> pl.DataFrame:
    """Prices wrong by a decimal point or a pack: of each vendor's new offers the one with the largest stock."""
    for vendor, on, factor in SLIPS:
        if on == day:
            rows = _mispriced(rows, vendor, pl.lit(True), pl.lit(factor))
    for vendor, on, power in PACKS:
        if on == day:
            rows = _mispriced(rows, vendor, pl.col("multiple") > 1, pl.col("multiple").cast(pl.Float64) ** power)
    return rows


def _mispriced(rows: pl.DataFrame, vendor: str, which: pl.Expr, factor: pl.Expr) -> pl.DataFrame:
    key = (pl.col("vendor_code") == vendor) & (pl.col("condition") == "new") & (pl.col("listing") == "")
    chosen = (
        rows.filter(key & which & (pl.col("need") > 0)).sort("quantity", "part_code", "colour_code").row(-1, named=True)
    )
    same = key & (pl.col("part_code") == chosen["part_code"]) & (pl.col("colour_code") == chosen["colour_code"])
    unit = pl.col("price_unit")
    moved = (pl.col("price_e4") * factor / unit).round().cast(pl.Int64) * unit
    return rows.with_columns(pl.when(same).then(pl.max_horizontal(moved, unit)).otherwise("price_e4").alias("price_e4"))


def shortened(rows: pl.DataFrame, day: date) -> pl.DataFrame:
    """The stocktaking vendor's list loses two rows in three."""
    vendor, on = STOCKTAKING
    if day != on:
        return rows
    lost = (pl.col("vendor_code") == vendor) & (pl.int_range(pl.len()) % 3 != 0)
    return rows.filter(~lost)


def to_be_corrected(rows: pl.DataFrame) -> pl.DataFrame:
    """The twelve rows that the late correction is about."""
    vendor, on, _ = CORRECTION
    return (
        rows.filter((pl.col("vendor_code") == vendor) & (pl.col("observed_on") == on) & (pl.col("step") == 1))
        .gather_every(9)
        .head(12)
    )


def with_the_mistake(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows as first sent, before the correction."""
    wrong = to_be_corrected(rows).select(
        "part_code", "colour_code", "condition", "listing", pl.lit(True).alias("is_wrong")
    )
    vendor, on, factor = CORRECTION
    if not wrong.height:
        return rows
    key = ["part_code", "colour_code", "condition", "listing"]
    is_wrong = pl.col("is_wrong").fill_null(False) & (pl.col("vendor_code") == vendor) & (pl.col("step") == 1)
    unit = pl.col("price_unit")
    raised = (pl.col("price_e4") * factor / unit).round().cast(pl.Int64) * unit
    joined = rows.join(wrong, on=key, how="left", maintain_order="left")
    return joined.with_columns(pl.when(is_wrong).then(raised).otherwise("price_e4").alias("price_e4")).drop("is_wrong")


def spoiled_bins(text: pl.DataFrame, day: date) -> pl.DataFrame:
    """One night's file with four cells that make no sense, a row that contradicts another, and an exact repeat."""
    if day != BAD_BINS_NIGHT:
        return text
    columns = {
        3: ("unit_price", "0"),
        11: ("colour_code", "QQQ"),
        19: ("observed_on", "31/10/2026"),
        27: ("currency_code", "XQX"),
    }
    number = pl.int_range(pl.len())
    for place, (name, value) in columns.items():
        text = text.with_columns(pl.when(number == place).then(pl.lit(value)).otherwise(pl.col(name)).alias(name))
    contradicting = text[40].with_columns(pl.lit("0.777").alias("unit_price"))
    return pl.concat([text, contradicting, text[50]])


RAGGED_FELLS_LINES = (
    "S011;1237;Sot;ny;;1;0,45;EUR",
    "S011;1237;Rönn;ny;;1;på förfrågan;EUR;12;29.10.2026",
    "S018;1237;Skymning;ny;;1;0,62;EUR;7;29.10.2026",
    "S018;99999;Sot;ny;;1;0,31;EUR;7;29.10.2026",
)
"""Too few cells; a price in words; a colour that the profile doesn't know; a part number that the code map doesn't know."""
