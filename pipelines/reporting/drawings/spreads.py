"""Spreads of groups on one scale: a box for the middle half, a line for all but the ends, a mark at the median."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pipelines.reporting.basis.look import BOX, SERIES
from pipelines.reporting.basis.page_tables import Table, TableColumn
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.elements import markup, path, shape
from pipelines.reporting.drawings.rows import Rows

HOW_TO_READ = "Box: the middle half. Line: all but the lowest and the highest tenth. Mark and figure: the median."
INK = SERIES[0]
THICK, MARK = 10, 14


@dataclass(frozen=True)
class Spread:
    """Five percentiles, ascending: the line from first to last, the box between second and fourth, the mark at the third."""

    label: str
    percentiles: tuple[float, float, float, float, float]


def spread_chart(
    title: str, groups_are: str, spreads: Sequence[Spread], as_text: Callable[[float], str], data_name: str = ""
) -> Chart | None:
    """Percentiles 10, 25, 50, 75 and 90 of several groups on one scale; None without any. ``groups_are`` heads their names."""
    if not spreads:
        return None
    rows = Rows(
        [spread.label for spread in spreads],
        [as_text(spread.percentiles[2]) for spread in spreads],
        [value for spread in spreads for value in spread.percentiles],
    )
    marks = []
    for row, spread in enumerate(spreads):
        p10, p25, p50, p75, p90 = map(rows.across, spread.percentiles)
        middle = rows.middle(row)
        marks += [
            path("M", p10, middle, "H", p90, stroke=INK, stroke_width=1.5),
            shape("rect", x=p25, y=middle - THICK / 2, width=max(p75 - p25, 0.5), height=THICK, fill=BOX, stroke=INK),
            path("M", p50, middle - MARK / 2, "v", MARK, stroke=INK, stroke_width=3),
        ]
    ends = (min(spread.percentiles[0] for spread in spreads), 0.0, max(spread.percentiles[4] for spread in spreads))
    names = ("10th percentile", "25th percentile", "Median", "75th percentile", "90th percentile")
    figures = Table(
        title,
        (TableColumn(groups_are), *(TableColumn(name, True) for name in names)),
        tuple((spread.label, *map(as_text, spread.percentiles)) for spread in spreads),
    )
    words = f"{title}. " + " ".join(
        f"{spread.label}: half of the elements between {as_text(spread.percentiles[1])} and {as_text(spread.percentiles[3])}, median "
        f"{as_text(spread.percentiles[2])}; one in ten below {as_text(spread.percentiles[0])}, one in ten above "
        f"{as_text(spread.percentiles[4])}."
        for spread in spreads
    )
    drawing = markup(rows.drawing(marks, [(end, as_text(end)) for end in ends]), words)
    return Chart(title, drawing, words, (), figures, (), data_name, HOW_TO_READ)
