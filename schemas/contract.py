"""What a column and a table must be: the one definition that readers, checks, DDL, comments and the dictionary share.

A :class:`Column` is defined once, in ``schemas/columns/``. A :class:`Contract` lists the names of its columns, those that may
be absent with their defaults, and its key. Everything else is derived: the pandera schemas (``schemas/rules.py``), the DuckDB
types and comments, and the data dictionary (``schemas/dictionary.py``).

This module imports nothing heavy, so that the command line can list tables without loading Polars.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Literal

Kind = Literal[
    "code", "text", "integer", "price", "rate", "amount", "number", "date", "timestamp", "month", "flag", "code_list"
]
"""How a value is written and stored.

code       text that identifies something; never parsed as a number (00501 stays 00501)
text       free text
integer    64-bit whole number
price      exact decimal with up to 6 decimals, DECIMAL(18,6); unit prices, charges, exchange rates as given, per cents
rate       exact decimal with up to 12 decimals, DECIMAL(38,12); exchange rates as used
amount     exact decimal with up to 4 decimals, DECIMAL(18,4); published in the currency's own digits
number     64-bit binary float: shares, index levels, distances; never money
date       ISO date
timestamp  UTC, to the microsecond
month      calendar month as text, 2026-10
flag       true or false
code_list  several codes in one cell, separated by semicolons; kept as text
"""

FIRST_PRICE_DAY, LAST_PRICE_DAY = date(1990, 1, 1), date(2199, 12, 31)
"""Between these are dates of prices, and dates to price: days and months can be added to them and taken off."""

FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(9999, 12, 31)
"""Between these are other dates that users write. Some stand for "always" or "no end", so nothing is added to them."""

BUYERS_CURRENCY = "currency of the buyer"
VENDORS_CURRENCY = "currency of the vendor"

DUCKDB_TYPES: dict[str, str] = {
    "code": "VARCHAR",
    "text": "VARCHAR",
    "integer": "BIGINT",
    "price": "DECIMAL(18,6)",
    "rate": "DECIMAL(38,12)",
    "amount": "DECIMAL(18,4)",
    "number": "DOUBLE",
    "date": "DATE",
    "timestamp": "TIMESTAMP",
    "month": "VARCHAR",
    "flag": "BOOLEAN",
    "code_list": "VARCHAR",
}


@dataclass(frozen=True)
class Column:
    """One column: its name, kind, meaning in one sentence, and the range a value must keep to."""

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    allowed: tuple[str, ...] = ()
    pattern: str = ""
    minimum: float | date | None = None
    maximum: float | date | None = None

    @property
    def duckdb_type(self) -> str:
        """The type the column has in DuckDB."""
        return DUCKDB_TYPES[self.kind]

    @property
    def rule(self) -> str:
        """The range in words, for error messages and the data dictionary; empty when any value of the kind will do."""
        if self.allowed:
            return "one of " + ", ".join(self.allowed)
        low, high = self.minimum, self.maximum
        if low is not None and high is not None:
            return f"from {_plain(low)} to {_plain(high)}"
        if low is not None:
            return f"at least {_plain(low)}"
        if high is not None:
            return f"at most {_plain(high)}"
        return f"written like {self.pattern}" if self.pattern else ""

    @property
    def description(self) -> str:
        """The meaning with the unit and the range, for the data dictionary and the comments of the database."""
        return "; ".join(filter(None, (self.meaning, self.unit and f"unit: {self.unit}", self.rule)))


def _plain(number: float | date) -> str:
    """A number as people write it, without an exponent, or a date."""
    if isinstance(number, date):
        return number.isoformat()
    return f"{Decimal(repr(number)):f}".removesuffix(".0")


@dataclass(frozen=True)
class Contract:
    """One table: its grain in a sentence, its columns in order, what may be absent or empty, and its key.

    ``optional`` gives the value (as it would be written in a file) that stands for an absent column or an empty
    cell; ``None`` means the cell stays empty. Columns not in ``optional`` must be there and filled.
    """

    name: str
    grain: str
    columns: tuple[str, ...]
    key: tuple[str, ...]
    optional: dict[str, str | None] = field(default_factory=dict)
    notes: str = ""

    def __post_init__(self) -> None:
        unknown = [name for name in (*self.key, *self.optional) if name not in self.columns]
        if unknown:
            raise ValueError(f"contract {self.name}: {unknown} not among its columns")

    @property
    def required(self) -> tuple[str, ...]:
        """The columns a file must have."""
        return tuple(name for name in self.columns if name not in self.optional)

    def may_be_empty(self, name: str) -> bool:
        """Whether a cell of this column may be empty after defaults are filled in."""
        return name in self.optional and self.optional[name] is None


def by_name(groups: Iterable[Iterable[Column]]) -> dict[str, Column]:
    """Index columns by name; a name defined twice is a programming error."""
    found: dict[str, Column] = {}
    for group in groups:
        for column in group:
            if column.name in found:
                raise ValueError(f"column {column.name} is defined twice")
            found[column.name] = column
    return found
