"""Bars to both sides of zero: what each group adds to a change. Filled and hollow bars differ by more than colour."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pipelines.reporting.basis.look import HOLLOW_DASH, PAPER, SERIES
from pipelines.reporting.basis.page_tables import Table, TableColumn
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.elements import markup, shape
from pipelines.reporting.drawings.rows import Rows

ADDS, TAKES_AWAY = SERIES[0], SERIES[1]
THICK = 14


@dataclass(frozen=True)
class Bar:
    """A bar from zero to its value; hollow ones stand for what was not observed."""

    label: str
    value: float
    is_hollow: bool = False


def bar_chart(
    title: str, bars: Sequence[Bar], as_text: Callable[[float], str], hollow_means: str, data_name: str = ""
) -> Chart | None:
    """Bars to both sides of zero; None without any.

    Args:
        title: what the chart shows, with its unit.
        bars: from top to bottom.
        as_text: how a value is written.
        hollow_means: what hollow bars stand for, for the legend.
        data_name: the file of the figures.
    """
    if not bars:
        return None
    rows = Rows([bar.label for bar in bars], [as_text(bar.value) for bar in bars], [bar.value for bar in bars])
    marks = []
    for row, bar in enumerate(bars):
        left, right = sorted((rows.across(0.0), rows.across(bar.value)))
        colour = ADDS if bar.value >= 0 else TAKES_AWAY
        mark = shape("rect", x=left, y=rows.middle(row) - THICK / 2, width=max(right - left, 0.5), height=THICK)
        mark.set("fill", PAPER if bar.is_hollow else colour)
        mark.set("stroke", colour)
        if bar.is_hollow:
            mark.set("stroke-dasharray", HOLLOW_DASH)
        marks.append(mark)
    figures = Table(
        title,
        (TableColumn("Group"), TableColumn("Value", True)),
        tuple((bar.label, as_text(bar.value)) for bar in bars),
    )
    areas = [("adds", ADDS)] if any(bar.value >= 0 for bar in bars) else []
    areas += [("takes away", TAKES_AWAY)] if any(bar.value < 0 for bar in bars) else []
    areas += [(hollow_means, "")] if any(bar.is_hollow for bar in bars) else []
    words = f"{title}. " + "; ".join(f"{bar.label} {as_text(bar.value)}" for bar in bars) + "."
    return Chart(title, markup(rows.drawing(marks), words), words, (), figures, tuple(areas), data_name)
