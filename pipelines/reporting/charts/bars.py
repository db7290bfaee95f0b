"""Bars and spreads as inline SVG: what each group adds to a change, and how changes are spread.

Drawn here and not by Vega: rectangles on one scale need no layout engine, and a report of many months draws hundreds. Colours are the
page's CSS variables; filled and hollow bars differ by more than colour.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipelines.reporting.basis.page_tables import Column, Table
from pipelines.reporting.charts.charts import Chart

WIDTH, LABELS, VALUES, ROW, TOP = 350, 128, 44, 22, 6
"""In units of the drawing: its width, the room for labels at the left and values at the right, and a row's height."""
NARROW, WIDE = frozenset("fijlrt.,;:|!'()[]I1 -"), frozenset("mwMW@%")


HOW_TO_READ = "Box: the middle half. Line: all but the lowest and the highest tenth. Mark and figure: the median."


@dataclass(frozen=True)
class Bar:
    """A bar from zero to its value; hollow ones stand for what was not observed."""

    label: str
    value: float
    is_hollow: bool = False


@dataclass(frozen=True)
class Spread:
    """Five percentiles, ascending: the line from first to last, the box between second and fourth, the mark at the third."""

    label: str
    percentiles: tuple[float, float, float, float, float]


def bar_chart(
    title: str, bars: Sequence[Bar], tell: Callable[[float], str], hollow_means: str, data_name: str = ""
) -> Chart | None:
    """Bars to both sides of zero; None without any.

    Args:
        title: what the chart shows, with its unit.
        bars: from top to bottom.
        tell: how a value is written.
        hollow_means: what hollow bars stand for, for the legend.
        data_name: the file of the figures.
    """
    if not bars:
        return None
    place = _scale([0.0, *(bar.value for bar in bars)])
    parts = [_axis(place(0.0), len(bars))]
    for row, bar in enumerate(bars):
        left, right = sorted((place(0.0), place(bar.value)))
        fill = 'fill="var(--paper)" stroke-dasharray="3 2"' if bar.is_hollow else 'fill="var(--series-1)"'
        colour = "var(--series-1)" if bar.value >= 0 else "var(--series-2)"
        fill = fill.replace("var(--series-1)", colour)
        parts.append(
            Markup('<rect x="{:.1f}" y="{}" width="{:.1f}" height="{}" {} stroke="{}"/>').format(
                left, TOP + row * ROW + 4, max(right - left, 0.5), ROW - 8, Markup(fill), Markup(colour)
            )
        )
        parts.append(_row_texts(row, bar.label, tell(bar.value)))
    figures = Table(
        title, (Column("Group"), Column("Value", True)), tuple((bar.label, tell(bar.value)) for bar in bars)
    )
    areas = [("adds", "var(--series-1)")] if any(bar.value >= 0 for bar in bars) else []
    areas += [("takes away", "var(--series-2)")] if any(bar.value < 0 for bar in bars) else []
    areas += [(hollow_means, "")] if any(bar.is_hollow for bar in bars) else []
    words = f"{title}. " + "; ".join(f"{bar.label} {tell(bar.value)}" for bar in bars) + "."
    return Chart(title, _svg(parts, len(bars)), words, (), figures, tuple(areas), data_name)


def spread_chart(
    title: str, groups_are: str, spreads: Sequence[Spread], tell: Callable[[float], str], data_name: str = ""
) -> Chart | None:
    """Percentiles 10, 25, 50, 75 and 90 of several groups on one scale; None without any. ``groups_are`` heads their names."""
    if not spreads:
        return None
    place = _scale([0.0, *(value for spread in spreads for value in spread.percentiles)])
    parts = [_axis(place(0.0), len(spreads))]
    for row, spread in enumerate(spreads):
        p10, p25, p50, p75, p90 = (place(value) for value in spread.percentiles)
        middle = TOP + row * ROW + ROW / 2
        parts.append(
            Markup(
                '<path d="M{:.1f},{:.1f}H{:.1f}" stroke="var(--series-1)" stroke-width="1.5"/>'
                '<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="10" fill="var(--band)" stroke="var(--series-1)"/>'
                '<path d="M{:.1f},{:.1f}v14" stroke="var(--series-1)" stroke-width="3"/>'
            ).format(p10, middle, p90, p25, middle - 5, max(p75 - p25, 0.5), p50, middle - 7)
        )
        parts.append(_row_texts(row, spread.label, tell(spread.percentiles[2])))
    ends = [min(spread.percentiles[0] for spread in spreads), 0.0, max(spread.percentiles[4] for spread in spreads)]
    parts += _ticks(place, ends, len(spreads), tell)
    names = ("10th percentile", "25th percentile", "Median", "75th percentile", "90th percentile")
    figures = Table(
        title,
        (Column(groups_are), *(Column(name, True) for name in names)),
        tuple((spread.label, *map(tell, spread.percentiles)) for spread in spreads),
    )
    words = f"{title}. " + " ".join(
        f"{spread.label}: half of the elements between {tell(spread.percentiles[1])} and {tell(spread.percentiles[3])}, median "
        f"{tell(spread.percentiles[2])}; one in ten below {tell(spread.percentiles[0])}, one in ten above "
        f"{tell(spread.percentiles[4])}."
        for spread in spreads
    )
    return Chart(title, _svg(parts, len(spreads), with_ticks=True), words, (), figures, (), data_name, HOW_TO_READ)


def _scale(values: Sequence[float]) -> Callable[[float], float]:
    low, high = min(values), max(values)
    room = WIDTH - LABELS - VALUES - 8
    span = (high - low) or 1.0

    def place(value: float) -> float:
        return LABELS + 4 + room * (value - low) / span

    return place


def _axis(zero: float, rows: int) -> Markup:
    return Markup('<path d="M{:.1f},{}V{}" stroke="var(--rule)"/>').format(zero, TOP, TOP + rows * ROW)


def _row_texts(row: int, label: str, value: str) -> Markup:
    shown = _fitting(label, LABELS - 8)
    base = TOP + row * ROW + ROW / 2 + 4
    return Markup(
        '<text x="{}" y="{:.0f}" text-anchor="end">{}</text><text x="{}" y="{:.0f}" text-anchor="end">{}</text>'
    ).format(LABELS - 4, base, shown, WIDTH - 2, base, value)


def _fitting(label: str, room: float) -> str:
    """As much of a label as fits, by rough widths of letters at a size of 12; the figures' table has all of it."""

    def width(text: str) -> float:
        return sum(
            4.2 if letter in NARROW else 11 if letter in WIDE else 8.4 if letter.isupper() else 7 for letter in text
        )

    if width(label) <= room:
        return label
    while label and width(label) + 12 > room:
        label = label[:-1]
    return label.rstrip() + "…"


def _ticks(
    place: Callable[[float], float], values: Sequence[float], rows: int, tell: Callable[[float], str]
) -> list[Markup]:
    """Figures below the scale, those left out that would touch the one before."""
    reported, free_from = [], float("-inf")
    for value in sorted(set(values)):
        words, at = tell(value), place(value)
        half = 3.5 * len(words)
        if at - half >= free_from:
            reported.append(
                Markup('<text x="{:.1f}" y="{}" text-anchor="middle">{}</text>').format(
                    at, TOP + rows * ROW + 13, words
                )
            )
            free_from = at + half + 6
    return reported


def _svg(parts: Sequence[Markup], rows: int, *, with_ticks: bool = False) -> Markup:
    return Markup(
        '<svg aria-hidden="true" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" fill="currentColor" font-size="12">{}</svg>'
    ).format(WIDTH, TOP * 2 + rows * ROW + (12 if with_ticks else 0), Markup("").join(parts))
