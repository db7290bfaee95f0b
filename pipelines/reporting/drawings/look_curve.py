"""What looking at lines could save, as a curve over their number (reports/charts/look_curve.vl.json)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from xml.etree.ElementTree import Element

from pipelines.reporting.basis.page_tables import Table, TableColumn, count
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.elements import markup
from pipelines.reporting.drawings.vega import drawn, line_rows, specification

STEPS = (1, 2, 3, 5, 10, 20, 50, 100, 200, 500)


@dataclass(frozen=True)
class Looked:
    """What the first so many lines would save, and the best choice of as many."""

    line_count: int
    in_order: float
    best: float


def shown_counts(line_count: int) -> list[int]:
    """Numbers of lines worth naming, the last one being all."""
    return [step for step in STEPS if step < line_count] + [line_count] * (line_count > 0)


def look_curve(title: str, looked: Sequence[Looked], as_text: Callable[[float], str]) -> Chart | None:
    """The curve over the number of lines; None where there is nothing to save.

    Args:
        title: what the chart shows, with its unit.
        looked: for 1, 2, ... lines.
        as_text: how an amount is written.
    """
    if max((each.best for each in looked), default=0.0) <= 0:
        return None
    names = ("looking in this order", "the best choice of as many")
    lines = (
        Line(names[0], tuple(each.in_order for each in looked), 0),
        Line(names[1], tuple(each.best for each in looked), 1, 1.5),
    )
    shown = lines if any(each.best > each.in_order for each in looked) else lines[:1]
    named = [looked[line_count - 1] for line_count in shown_counts(len(looked))]
    figures = Table(
        title,
        (TableColumn("Lines looked at", True), *(TableColumn(line.label.capitalize(), True) for line in shown)),
        tuple(
            (count(each.line_count), *(as_text(value) for value in (each.in_order, each.best)[: len(shown)]))
            for each in named
        ),
    )
    words = (
        f"{title}. " + "; ".join(f"{count(each.line_count, 'line')}: {as_text(each.in_order)}" for each in named) + "."
    )
    return Chart(title, markup(_draw(shown), words), words, shown, figures)


@cache
def _draw(lines: tuple[Line, ...]) -> Element:
    """The lines, the last at the bottom, from nothing saved by no look to all of them."""
    spec, line_count = specification("look_curve"), len(lines[0].values)
    spec["data"]["values"] = [
        row
        for place, line in enumerate(reversed(lines))
        for row in line_rows(place, line, range(line_count + 1), (0.0, *line.values))
    ]
    spec["encoding"]["x"]["scale"]["domain"] = [0, line_count]
    spec["encoding"]["x"]["axis"]["values"] = sorted({0, round(line_count / 2), line_count})
    return drawn(spec)
