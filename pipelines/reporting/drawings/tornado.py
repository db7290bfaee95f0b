"""What one change of an assumption does to the cost: bars to both sides, the widest on top (reports/charts/tornado.vl.json)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

from markupsafe import Markup

from pipelines.reporting.basis.look import SERIES
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.elements import markup
from pipelines.reporting.drawings.vega import drawn, specification

DOWN, UP = SERIES[0], SERIES[1]


@dataclass(frozen=True)
class TwoSidedBar:
    """One assumption: what each side changes (None where it was not tried), and to what in words."""

    label: str
    down: float | None
    up: float | None
    down_words: str = ""
    up_words: str = ""

    @property
    def width(self) -> float:
        """How far it can move the cost."""
        values = [0.0, *(value for value in (self.down, self.up) if value is not None)]
        return max(values) - min(values)


def tornado(title: str, bars: Sequence[TwoSidedBar], as_text: Callable[[float], str]) -> Chart | None:
    """Draw bars, the widest on top; None when nothing moves the cost.

    Args:
        title: what the chart shows, with its unit.
        bars: the assumptions.
        as_text: how a value is written, in the table and in words.
    """
    shown = sorted((bar for bar in bars if bar.width), key=lambda bar: (-bar.width, bar.label))
    if not shown:
        return None
    rows = tuple(
        (bar.label, _message(bar.down, bar.down_words, as_text), _message(bar.up, bar.up_words, as_text))
        for bar in shown
    )
    widest = shown[0]
    words = "; ".join(
        each
        for each in (_message(widest.down, widest.down_words, as_text), _message(widest.up, widest.up_words, as_text))
        if each
    )
    description = f"{title}. The widest bar is {widest.label}: {words}."
    table = Table(title, columns("What is changed", "One way", "Other way"), rows, is_stacked=True)
    return Chart(title, _draw(tuple(shown), description), description, (), table)


def _message(value: float | None, words: str, as_text: Callable[[float], str]) -> str:
    return NOTHING if value is None else f"{as_text(value)} ({words})" if words else as_text(value)


@cache
def _draw(bars: tuple[TwoSidedBar, ...], description: str) -> Markup:
    spec = specification("tornado")
    spec["data"]["values"] = [
        {"label": bar.label, "value": value, "fill": DOWN if value < 0 else UP}
        for bar in bars
        for value in (bar.down, bar.up)
        if value
    ]
    return markup(drawn(spec), description)
