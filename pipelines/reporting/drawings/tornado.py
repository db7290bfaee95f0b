"""What one change of an assumption does to the cost: bars to both sides, the widest on top (reports/charts/tornado.vl.json)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any

from markupsafe import Markup

from pipelines.money import Interval
from pipelines.reporting.basis.look import INK, SERIES
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.elements import markup
from pipelines.reporting.drawings.vega import drawn, specification

DOWN, UP = SERIES[0], SERIES[1]
HOLLOW = "none"
LEGEND = "A thin line is the range that the best possible plans leave. A hollow bar has no clear direction."


@dataclass(frozen=True)
class Change:
    """What a changed assumption does to the cost: between which ends it is known, and the same in words."""

    amount: Decimal
    between: Interval
    words: str

    @property
    def size(self) -> Interval:
        """How far it moves the cost, either way."""
        low, high = sorted((abs(self.between.low), abs(self.between.high)))
        return Interval(low if self.between.direction else Decimal(0), high)


@dataclass(frozen=True)
class TwoSidedBar:
    """One assumption, changed both ways; None for a way that was not tried."""

    label: str
    down: Change | None
    up: Change | None

    @property
    def changes(self) -> tuple[Change, ...]:
        """The changes tried."""
        return tuple(change for change in (self.down, self.up) if change is not None)

    @property
    def size(self) -> Interval:
        """How far the larger change moves the cost."""
        sizes = [change.size for change in self.changes]
        return Interval(max(size.low for size in sizes), max(size.high for size in sizes))

    @property
    def width(self) -> Decimal:
        """How wide it is drawn."""
        amounts = [Decimal(0), *(change.amount for change in self.changes)]
        return max(amounts) - min(amounts)


def tornado(title: str, bars: Sequence[TwoSidedBar]) -> Chart | None:
    """Draw bars, the widest on top; None when nothing can move the cost.

    Args:
        title: what the chart shows, with its unit.
        bars: the assumptions, each tried at least one way.
    """
    shown = sorted((bar for bar in bars if bar.size.high), key=lambda bar: (-bar.width, bar.label))
    if not shown:
        return None
    rows = tuple((bar.label, _words(bar.down), _words(bar.up)) for bar in shown)
    top = shown[0]
    description = f"{title}. {LEGEND} On top is {top.label}: {'; '.join(change.words for change in top.changes)}."
    table = Table(title, columns("What is changed", "One way", "Other way"), rows, is_stacked=True)
    return Chart(title, _draw(tuple(shown), description), description, (), table)


def _words(change: Change | None) -> str:
    return NOTHING if change is None else change.words


@cache
def _draw(bars: tuple[TwoSidedBar, ...], description: str) -> Markup:
    spec = specification("tornado")
    spec["data"]["values"] = [
        _mark(bar, change, way) for bar in bars for way, change in (("down", bar.down), ("up", bar.up)) if change
    ]
    return markup(drawn(spec), description)


def _mark(bar: TwoSidedBar, change: Change, way: str) -> dict[str, Any]:
    """A bar with a direction is filled by its side, one without is an outline."""
    direction = change.between.direction
    colour = (DOWN if direction < 0 else UP) if direction else INK
    return {
        "label": bar.label,
        "way": way,
        "value": float(change.amount),
        "fill": colour if direction else HOLLOW,
        "stroke": colour,
        "low": float(change.between.low),
        "high": float(change.between.high),
    }
