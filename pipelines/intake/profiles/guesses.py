"""What the columns of an unknown file may mean, by their names and values; numbers and dates by trying formats on them.

The words are common ones for these things in the languages of European price lists (common practice, no source). A guess
is only ever written into a draft that a person reads.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime

import polars as pl

from pipelines.intake.reading import formats
from pipelines.money import is_currency

WORDS: dict[str, str] = {
    "vendor_code": "vendor seller shop stall händler verkäufer vendeur vendedor säljare handlare verkoper sprzedawca",
    "currency_code": "currency währung devise valuta moneda waluta curr",
    "unit_price": "price preis prix precio prezzo pris prijs cena stückpreis einzelpreis styckpris",
    "average_price": "average avg mean durchschnitt durchschnittspreis moyen moyenne medel gemiddelde średnia",
    "lowest_price": "lowest cheapest minimum niedrigster lägsta laagste",
    "observed_on": "date datum day tag dag stand fecha jour data dzień",
    "condition": "condition state zustand état skick staat estado stan",
    "colour_code": "colour color farbe farbton couleur färg kulör kleur kolor shade",
    "step_from_quantity": "from ab från vanaf from_quantity",
    "quantity_available": "quantity qty stock bestand menge anzahl lager vorrat available antal aantal quantité cantidad pieces ilość",
    "listing_code": "listing lot los parti partij lote",
    "sold_in_multiples_of": "multiple multiples bulk",
    "part_code": "part item article artikel teil teilenummer artikelnummer art sku code nummer number nr no ref référence "
    "pièce pieza del detalj onderdeel artnr kod",
    "assortment_code": "assortment range sortiment",
}
PACK_WORDS = "pack vpe ve verpackung förpackning lot_size paquet"
CONDITION_VALUES = {
    **dict.fromkeys(
        ["new", "neu", "n", "neuf", "neuve", "nuevo", "nueva", "nuovo", "ny", "nytt", "nieuw", "nowy"], "new"
    ),
    **dict.fromkeys(
        [
            "used",
            "gebraucht",
            "u",
            "g",
            "occasion",
            "usado",
            "usada",
            "usato",
            "begagnad",
            "använd",
            "gebruikt",
            "używany",
        ],
        "used",
    ),
}
DATE_FORMATS = (
    "%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%Y/%m/%d", "%Y%m%d", "%d.%m.%y", "%d/%m/%y",
    "%-d.%-m.%Y", "%-d/%-m/%Y", "%-m/%-d/%Y", "%-d-%-m-%Y", "%d %b %Y", "%-d %b %Y", "%d-%b-%Y",
)  # fmt: skip
FILE_NAME_DATES = ("%Y-%m-%d", "%Y_%m_%d", "%Y%m%d", "%d.%m.%Y", "%d-%m-%Y", "%d_%m_%Y", "%d%m%Y")
_NUMBER_FORMATS = ((".", ""), (",", ""), (".", ","), (",", "."), (",", " "), (".", " "), (".", "'"), (",", "'"))
_CURRENCY_SIGNS = {"€": "EUR", "£": "GBP", "zł": "PLN", "¥": "JPY", "$": "USD"}
_NUMBER_LIKE = r"^[+-]?[0-9][0-9.,'\u2019 \u00a0\u202f]*$"
_ENOUGH = 0.9
"""Share of values that must fit a guess: a few bad rows must not hide what the others are."""


def column_roles(values: Mapping[str, pl.Series], needed: Sequence[str]) -> tuple[dict[str, str], set[str]]:
    """Which column of the file is which of ours.

    Args:
        values: the file's columns and their filled values.
        needed: our columns to look for.

    Returns:
        Our column to the file's; and those of ours that were guessed by their values alone.
    """
    roles = {name: name for name in needed if name in values}
    for name in (name for name in WORDS if name in needed and name not in roles):
        free = [column for column in values if column not in roles.values()]
        named = [column for column in free if is_named(column, WORDS[name]) and _suits(name, values[column])]
        if named:
            roles[name] = max(named, key=lambda column: is_named(column, WORDS[name]))
    by_value = set()
    for name in (
        "observed_on",
        "currency_code",
        "condition",
        "unit_price",
        "quantity_available",
        "part_code",
        "colour_code",
    ):
        if name in needed and name not in roles:
            free = [column for column in values if column not in roles.values()]
            looking = [column for column in free if len(values[column]) and _looks_like(name, values[column])]
            if looking:
                roles[name] = looking[0]
                by_value.add(name)
    return roles, by_value


def named_count(cells: Sequence[str]) -> int:
    """How many of a row's cells are named like a column of a price list, each kind of column counted once."""
    naming = [[name for name, words in WORDS.items() if is_named(cell, words)] for cell in cells]
    return min(sum(map(bool, naming)), len({name for names in naming for name in names}))


def pack_column(columns: Sequence[str]) -> str | None:
    """A column that seems to hold a pack size."""
    return next((column for column in columns if is_named(column, PACK_WORDS)), None)


def number_format(values: pl.Series) -> tuple[str, str]:
    """Decimal and thousands separator that fit most values; of several, the one with the plainest numbers."""
    shares = [_share(values, formats.number(pl.col("v"), *pair).is_not_null()) for pair in _NUMBER_FORMATS]
    return _NUMBER_FORMATS[shares.index(max(shares))]


def date_formats(values: pl.Series) -> list[str]:
    """Formats that fit almost all values and mean different days, the likeliest first."""
    fitting = [f for f in DATE_FORMATS if _share(values, formats.iso_date(pl.col("v"), f).is_not_null()) >= _ENOUGH]
    return list({f.replace("%-", "%"): f for f in reversed(fitting)}.values())[::-1]


def date_in_text(text: str) -> str | None:
    """An ISO date that a title names."""
    for found in re.findall(r"[0-9]{4}-[0-9]{2}-[0-9]{2}|[0-9]{1,2}[./][0-9]{1,2}[./][0-9]{4}", text):
        for date_format in ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y"):
            try:
                return datetime.strptime(found, date_format).date().isoformat()
            except ValueError:
                continue
    return None


def currency_in_text(text: str) -> str | None:
    """A currency that a title or a column's name contains as a code or a sign."""
    for word in re.findall(r"\b[A-Z]{3}\b", text):
        if is_currency(word) and word not in ("ALL", "TOP", "CUP"):
            return str(word)
    return next((code for sign, code in _CURRENCY_SIGNS.items() if sign in text), None)


def condition_values(values: pl.Series) -> dict[str, str | None]:
    """Each value of a column of conditions and what it means; None where that is not known."""
    return {value: CONDITION_VALUES.get(value.lower()) for value in values.unique().sort().to_list()[:20]}


def is_named(column: str, words: str) -> int:
    """How well the name of a column goes with words: whole words count most, ends of compounds a little."""
    split = re.sub(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])", " ", column).lower()
    tokens = set(re.split(r"[\s_.,;:/()#-]+", split)) - {""}
    known = words.split()
    long = [word for word in known if len(word) >= 5]
    parts = sum(token.endswith(word) or token.startswith(word) for token in tokens for word in long)
    found: int = 10 * len(tokens & set(known)) + parts
    return found


def _suits(name: str, values: pl.Series) -> bool:
    """Whether values do not contradict what a column's name says; an empty column contradicts nothing."""
    if name in ("unit_price", "average_price", "lowest_price"):
        return _share(values, pl.col("v").str.contains(_NUMBER_LIKE)) >= _ENOUGH
    if name in ("quantity_available", "step_from_quantity", "sold_in_multiples_of"):
        return _share(values, pl.col("v").str.contains(r"^[0-9][0-9.,'\u2019 \u00a0\u202f]*$")) >= _ENOUGH
    if name == "observed_on":
        return bool(date_formats(values))
    if name == "currency_code":
        return all(is_currency(value) for value in values.unique().to_list())
    return True


def _looks_like(name: str, values: pl.Series) -> bool:
    """Whether the values alone show which column it is."""
    is_number = _share(values, pl.col("v").str.contains(_NUMBER_LIKE)) >= _ENOUGH
    if name in ("observed_on", "currency_code"):
        return _suits(name, values) and not (name == "observed_on" and date_formats(values) == ["%Y%m%d"])
    if name == "condition":
        return all(value.lower() in CONDITION_VALUES for value in values.unique().to_list())
    if name == "unit_price":
        return is_number and _share(values, pl.col("v").str.contains(r"[0-9][.,][0-9]{1,2}$|[0-9][.,][0-9]{4,}$")) > 0.5
    if name == "quantity_available":
        return (
            is_number
            and _share(values, pl.col("v").str.contains(r"^[0-9]{1,3}([.,' ]?[0-9]{3})*$")) > 0.5
            and values.n_unique() > 1
        )
    if name == "part_code":
        return _share(values, pl.col("v").str.contains(r"^\S*[0-9]\S*$")) >= _ENOUGH
    return not is_number and values.n_unique() <= max(3, len(values) // 2)


def _share(values: pl.Series, fits: pl.Expr) -> float:
    if not len(values):
        return 1.0
    return float(pl.DataFrame({"v": values}).select(fits.fill_null(False).mean()).item())
