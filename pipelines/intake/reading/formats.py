"""Numbers, dates and pack prices: from the format that a profile states to ours; anything else is refused.

Functions of expressions give the value in our format, or null where the text does not fit.
"""

from __future__ import annotations

import re
from datetime import date, datetime

import polars as pl

from pipelines.errors import InputError

FILE_NAME_FIELDS = {"%Y": r"\d{4}", "%y": r"\d{2}", "%m": r"\d{2}", "%d": r"\d{2}", "%b": r"[A-Za-z]{3}"}
"""Parts of a date that a file name may hold, and what they look like."""


_BLANK_THOUSANDS = "\u00a0\u202f"
_LOOKALIKES = {" ": f"[ {_BLANK_THOUSANDS}]", "'": "['\u2019]", ".": r"\.", ",": ","}
"""Characters that stand for a thousands separator; exports use no-break spaces and curly apostrophes too."""


def number(text: pl.Expr, decimal: str, thousands: str) -> pl.Expr:
    """A number with a decimal point and no thousands separators; groups of thousands must be whole."""
    point = r"\." if decimal == "." else ","
    whole = "[0-9]+"
    if thousands:
        whole = f"(?:[0-9]+|[0-9]{{1,3}}(?:{_LOOKALIKES[thousands]}[0-9]{{3}})+)"
    fits = text.str.contains(f"^[+-]?{whole}(?:{point}[0-9]+)?$")
    plain = text
    if thousands:
        plain = plain.str.replace_all(_LOOKALIKES[thousands], "")
    return pl.when(fits).then(plain.str.replace(point, "."))


def number_example(decimal: str, thousands: str) -> str:
    """How a number must look, for messages."""
    return f"1{thousands}234{decimal}56"


def iso_date(text: pl.Expr, date_format: str) -> pl.Expr:
    """An ISO date; the text must be exactly what the format would write, but for the case of month names."""
    day = text.str.to_date(date_format, strict=False)
    same = day.dt.to_string(date_format).str.to_lowercase() == text.str.to_lowercase()
    return pl.when(same).then(day.dt.to_string("%Y-%m-%d"))


def pack_size(text: pl.Expr) -> pl.Expr:
    """A whole number from 1 to 1,000,000 (Int64); text is in our format."""
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


def date_in_file_name(file_name: str, pattern: str) -> date:
    """The date in a file name where the pattern fits, such as ``_%Y%m%d``.

    Raises:
        InputError: the pattern fits nowhere, no date comes out, or several different ones do.
    """
    pieces = re.split(r"(%.)", pattern)
    expression = "".join(FILE_NAME_FIELDS.get(piece, re.escape(piece)) for piece in pieces)
    # Digits that go on before or after a date are part of some other number.
    before = r"(?<!\d)" if pattern.startswith("%") else ""
    after = r"(?!\d)" if pattern[-2:-1] == "%" else ""
    dates = set()
    for found in re.finditer(f"{before}(?=({expression}){after})", file_name):
        try:
            dates.add(datetime.strptime(found[1], pattern).date())
        except ValueError:
            continue
    if len(dates) != 1:
        count = "several dates" if dates else "no date"
        raise InputError(
            f"the file name has {count} written like {pattern}",
            where=file_name,
            state="the file is quarantined whole",
            next_step="rename the file, or correct observed_on_in_file_name in the profile",
        )
    return dates.pop()
