"""Numbers, dates and pack prices from the one way a profile says they are written to ours; whatever else is refused.

All functions give Polars expressions over text: the value in our writing, or null where the text does not fit.
"""

from __future__ import annotations

import polars as pl

from pipelines.intake.profiles import Numbers

_BLANK_THOUSANDS = "\u00a0\u202f"
_LOOKALIKES = {" ": f"[ {_BLANK_THOUSANDS}]", "'": "['\u2019]", ".": r"\.", ",": ","}
"""Characters that stand for a thousands separator; exports use no-break spaces and curly apostrophes too."""


def number(text: pl.Expr, numbers: Numbers) -> pl.Expr:
    """A number with a decimal point and no thousands separators; groups of thousands must be whole."""
    decimal = r"\." if numbers.decimal == "." else ","
    whole = "[0-9]+"
    if numbers.thousands:
        whole = f"(?:[0-9]+|[0-9]{{1,3}}(?:{_LOOKALIKES[numbers.thousands]}[0-9]{{3}})+)"
    fits = text.str.contains(f"^[+-]?{whole}(?:{decimal}[0-9]+)?$")
    plain = text
    if numbers.thousands:
        plain = plain.str.replace_all(_LOOKALIKES[numbers.thousands], "")
    return pl.when(fits).then(plain.str.replace(decimal, "."))


def number_example(numbers: Numbers) -> str:
    """How a number must look, for messages."""
    return f"1{numbers.thousands}234{numbers.decimal}56"


def iso_date(text: pl.Expr, date_format: str) -> pl.Expr:
    """An ISO date; the text must be exactly what the format would write, but for the case of month names."""
    day = text.str.to_date(date_format, strict=False)
    same = day.dt.to_string(date_format).str.to_lowercase() == text.str.to_lowercase()
    return pl.when(same).then(day.dt.to_string("%Y-%m-%d"))


def pack_size(text: pl.Expr) -> pl.Expr:
    """A whole number from 1 to 1,000,000 (Int64); text is in our writing."""
    size = pl.when(text.str.contains(r"^[0-9]{1,7}(?:\.0+)?$")).then(text.str.replace(r"\.0+$", "").cast(pl.Int64))
    return pl.when(size.is_between(1, 1_000_000)).then(size)


def price_per_piece(pack_price: pl.Expr, size: pl.Expr) -> pl.Expr:
    """Pack price / size with 6 decimals, half-up, in whole numbers throughout; null where the price is no price."""
    fits = pack_price.str.contains(r"^\+?[0-9]{1,12}(?:\.[0-9]{1,6}0*)?$")
    units = pl.when(fits).then(pack_price.str.extract(r"([0-9]+)"))
    decimals = pack_price.str.extract(r"\.([0-9]{1,6})").fill_null("").str.pad_end(6, "0")
    millionths = (units + decimals).cast(pl.Int64)
    piece = (2 * millionths + size) // (2 * size)
    return (piece // 1_000_000).cast(pl.String) + "." + (piece % 1_000_000).cast(pl.String).str.zfill(6)


def times_pack(quantity: pl.Expr, size: pl.Expr) -> pl.Expr:
    """A whole number of packs as a number of pieces; null where it is no whole number."""
    whole = pl.when(quantity.str.contains(r"^\+?[0-9]{1,9}(?:\.0+)?$")).then(quantity.str.extract(r"([0-9]+)"))
    return (whole.cast(pl.Int64) * size).cast(pl.String)
