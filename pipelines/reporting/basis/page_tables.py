"""Numbers, dates and money as readers see them, and tables for both HTML and Markdown."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_CEILING, Decimal
from functools import cached_property, lru_cache
from hashlib import sha256
from math import isfinite

from markupsafe import Markup

from pipelines.money import Interval, currency_digits, round_half_up, round_money, rounded_together
from pipelines.reporting.basis.words import MONTH_NAMES, between_words

MINUS = "\u2212"
NOTHING = "\u2013"
"""Shown where there is no figure."""
NO_CLEAR_CHANGE = "not clear"
"""Shown where the best possible plans may cost more than before or less."""
_REMEMBERED = 65536  # the reports of many months show the same figures again and again


@lru_cache(_REMEMBERED)
def money(amount: Decimal | None, currency_code: str, *, signed: bool = False, with_code: bool = False) -> str:
    """An amount in its currency's digits: ``1,234.50``, ``−3.20``, or ``1,234.50 EUR`` with its code."""
    if amount is None:
        return NOTHING
    rounded = round_money(amount, currency_code)
    return _sign(rounded, signed) + f"{abs(rounded):,f}" + (f" {currency_code}" if with_code else "")


def ends(interval: Interval, currency_code: str, *, signed: bool = False) -> str:
    """The two ends of an amount: ``13.20 to 14.90``; one figure where they show alike."""
    low, high = (money(amount, currency_code, signed=signed) for amount in (interval.low, interval.high))
    return low if low == high else f"{low} to {high}"


def between(interval: Interval, currency_code: str) -> str:
    """The two ends of an amount in a sentence: ``between 13.20 and 14.90``; empty where they show alike."""
    return between_words(money(interval.low, currency_code), money(interval.high, currency_code))


def change(amount: Decimal, between: Interval, currency_code: str) -> str:
    """A change with its sign where that is known: ``−3.20``, or that there is no clear one."""
    return NO_CLEAR_CHANGE if between.direction is None else money(amount, currency_code, signed=True)


def unit_price(price: Decimal | None, currency_code: str) -> str:
    """A price of one piece: all the decimals it has, and at least the currency's."""
    if price is None:
        return NOTHING
    digits = max(currency_digits(currency_code), -int(price.normalize().as_tuple().exponent))
    return f"{round_half_up(price, digits):,f}"


@lru_cache(_REMEMBERED)
def percent(value: float | Decimal | None, *, digits: int = 1, signed: bool = False) -> str:
    """``12.3 %``; a value that rounds to zero has no sign."""
    if value is None or not isfinite(value):
        return NOTHING
    rounded = round_half_up(Decimal(str(value)), digits)
    return _sign(rounded, signed) + f"{abs(rounded):,f} %"


@lru_cache(_REMEMBERED)
def number(value: float | Decimal | None, digits: int = 1, *, signed: bool = False) -> str:
    """A plain number with thousands separators."""
    if value is None or not isfinite(value):
        return NOTHING
    rounded = round_half_up(Decimal(str(value)), digits)
    return _sign(rounded, signed) + f"{abs(rounded):,f}"


def shown_together(values: Sequence[float], digits: int) -> list[float]:
    """Figures rounded for readers so that those shown add up to the sum shown."""
    return [float(value) for value in rounded_together((Decimal(str(value)) for value in values), digits)]


def count(value: int | None, singular: str = "", plural: str = "") -> str:
    """``1,204``, or with a noun ``1 piece``, ``1,204 pieces``."""
    if value is None:
        return NOTHING
    figure = (MINUS if value < 0 else "") + f"{abs(value):,}"
    return f"{figure} {singular if value == 1 else plural or singular + 's'}" if singular else figure


@lru_cache(_REMEMBERED)
def day(value: date | None) -> str:
    """``25 November 2026``."""
    return NOTHING if value is None else f"{value.day} {MONTH_NAMES[value.month - 1]} {value.year}"


def short_day(value: date) -> str:
    """``25 Nov``, kept on one line."""
    return f"{value.day}\u00a0{MONTH_NAMES[value.month - 1][:3]}"


def month_name(value: str) -> str:
    """``2026-11`` as ``November 2026``."""
    year, number_in_year = value.split("-")
    return f"{MONTH_NAMES[int(number_in_year) - 1]} {year}"


def gap(gap_pct: float) -> str:
    """A gap in per cent, rounded up so that "at most" stays true: 0.31 becomes ``0.4 %``."""
    if not isfinite(gap_pct):
        return "an unknown share"
    tenths = Decimal(str(max(gap_pct, 0))).quantize(Decimal("0.1"), rounding=ROUND_CEILING)
    return f"{tenths:,f} %"


def accuracy(gap_pct: float) -> str:
    """How good a plan is: ``at most 0.4 % above the best possible``, or ``the cheapest possible``."""
    return f"at most {gap(gap_pct)} above the best possible" if gap_pct else "the cheapest possible"


def file_name(code: str) -> str:
    """A code as a file's name: letters, digits, ``.``, ``_``, ``-``; different codes never share one."""
    safe = re.sub(r"[^\w.-]", "-", code).lstrip(".")[:80]
    if safe == code:
        return safe
    return f"{safe}-{sha256(code.encode()).hexdigest()[:8]}"


@dataclass(frozen=True)
class TableColumn:
    """A column's heading; numbers are set flush right."""

    label: str
    is_number: bool = False


@dataclass(frozen=True)
class Link:
    """A cell that leads to another page; ``href`` is relative to the page."""

    text: str
    href: str


@dataclass(frozen=True)
class Drawing:
    """A cell with a small drawing, and what it shows in words."""

    svg: Markup
    words: str


Cell = str | Link | Drawing


@dataclass(frozen=True)
class Table:
    """A table for readers. The first cell of a row is its heading; ``strong_rows`` are set in bold.

    ``is_stacked``: on narrow screens every row becomes a small list of label and value, instead of a table that scrolls in
    its own box.

    Raises:
        ValueError: a row has more or fewer cells than there are columns.
    """

    caption: str
    columns: tuple[TableColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]
    strong_rows: frozenset[int] = frozenset()
    is_stacked: bool = False

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                labels = [column.label for column in self.columns]
                raise ValueError(f"table {self.caption!r}: the row {row} does not fit the columns {labels}")

    @cached_property
    def wide_columns(self) -> frozenset[int]:
        """Columns whose cells have a line of their own when stacked.

        These are the first and the last figure, words, long headings, long figures, and cells that would stand alone on half a line.
        """
        wide = {1, len(self.columns) - 1} | {
            position
            for position, column in enumerate(self.columns)
            if not column.is_number
            or (longest := max((_length(row[position]) for row in self.rows), default=0)) > 11
            or len(column.label) > 16
            or len(column.label) + longest > 19
        }
        run: list[int] = []
        for position in range(1, len(self.columns)):
            if position not in wide:
                run.append(position)
                continue
            if len(run) % 2:
                wide.add(run[-1])
            run = []
        return frozenset(wide - {0})

    def markdown(self) -> str:
        """The table as Markdown, everything escaped."""
        lines = [
            "| " + " | ".join(escape_markdown(column.label) for column in self.columns) + " |",
            "| " + " | ".join("---:" if column.is_number else "---" for column in self.columns) + " |",
        ]
        for index, row in enumerate(self.rows):
            cells = [_markdown_cell(cell, index in self.strong_rows) for cell in row]
            lines.append("| " + " | ".join(cells) + " |")
        return "\n".join(lines)


def _length(cell: Cell) -> int:
    return len(cell if isinstance(cell, str) else cell.text if isinstance(cell, Link) else "")


def columns(*labels: str) -> tuple[TableColumn, ...]:
    """Columns by their headings; one that starts with ``#`` holds numbers."""
    return tuple(TableColumn(label.removeprefix("#"), label.startswith("#")) for label in labels)


def escape_markdown(text: str) -> str:
    """Text that Markdown shows as it is: no markup, no HTML, no line breaks."""
    harmless = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return re.sub(r"([\\`*_\[\]|#~$])", r"\\\1", " ".join(harmless.split()))


def _markdown_cell(cell: Cell, is_strong: bool) -> str:
    if isinstance(cell, Drawing):
        return escape_markdown(cell.words)
    if isinstance(cell, Link):
        return f"[{escape_markdown(cell.text)}]({cell.href})"
    text = escape_markdown(cell)
    return f"**{text}**" if is_strong and text else text


def _sign(value: Decimal, signed: bool) -> str:
    return MINUS if value < 0 else "+" if signed and value > 0 else ""
