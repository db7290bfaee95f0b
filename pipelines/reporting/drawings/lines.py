"""Lines over dates and a band behind them. The specification is reports/charts/lines.vl.json; lines differ by dash as well as by colour."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cache
from xml.etree.ElementTree import Element

from pipelines.reporting.basis.look import HEIGHT, SERIES, WIDTH
from pipelines.reporting.basis.page_tables import NOTHING, Table, TableColumn, day
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.elements import markup, written
from pipelines.reporting.drawings.vega import drawn, line_rows, specification

SIZE = (WIDTH, HEIGHT)
DAYS_SHOWN = 75
"""Charts of fewer days have days on their axis, others months."""
DOT = "h.1"
"""A value without neighbours shows as a dot: a line so short, with round ends. Browsers lose it in dashed lines if it has no length."""


@dataclass(frozen=True)
class ShadedBand:
    """A shaded area behind the lines: its lower and upper edge for each date, or a gap (None)."""

    label: str
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]


def line_chart(
    title: str,
    dates: Sequence[date],
    lines: Sequence[Line],
    as_text: Callable[[float], str],
    until: date | None = None,
    band: ShadedBand | None = None,
    data_name: str = "",
    size: tuple[int, int] = SIZE,
) -> Chart | None:
    """Draw lines over dates; None when no line has two values: there is nothing to draw then.

    Args:
        title: what the chart shows, with its unit.
        dates: earliest first.
        lines: each with one value per date.
        as_text: how a value is written, in the table and in words.
        until: the lines end here. The axes stay those of all dates, so that the charts of several months can be compared, and
            so that one drawing, the slow part, serves them all.
        band: shaded behind the lines; without two values it is left out.
        data_name: the file of the figures.
        size: width and height in units in which letters are 12 high.
    """
    shown = [at for at in dates if until is None or at <= until]
    whole = [line for line in lines if _knows(line)]
    known = [replace(line, values=line.values[: len(shown)]) for line in whole]
    reported = [line for line in known if _knows(line)]
    kept = [sum(value is not None for value in line.values) for line in known]
    if max(kept, default=0) < 2:
        return None
    if band is not None and sum(value is not None for value in band.low[: len(shown)]) < 2:
        band = None
    words = _describe(title, shown, reported, as_text, names_lowest=band is None)
    columns, edges = [*reported], 0
    if band is not None:
        edges = sum(value is not None for value in band.low[: len(shown)])
        words += _describe_band(band, shown, as_text)
        columns += [Line(f"{band.label}, {end}", values, 0) for end, values in (("low", band.low), ("high", band.high))]
    drawing = _draw(tuple(dates), tuple(whole), band, size)
    root = _cut(drawing, [kept[place] for place in _drawing_order(whole)], edges)
    figures = Table(
        title,
        (TableColumn("Date"), *(TableColumn(line.label, is_number=True) for line in columns)),
        tuple((day(at), *(_message(line.values[row], as_text) for line in columns)) for row, at in enumerate(shown)),
    )
    areas = ((band.label, SERIES[0]),) if band is not None else ()
    places = _places(drawing, dates, whole)[: len(shown)]
    return Chart(title, markup(root, words), words, tuple(reported), figures, areas, data_name, at=tuple(places))


def _places(drawing: Element, dates: Sequence[date], lines: Sequence[Line]) -> list[str]:
    """Where across the drawing each date is: in proportion to the first and the last point of the line that reaches furthest."""
    groups = [group for group in drawing.iter("g") if group.get("class") == "mark-line"]
    spans = []
    for group, position in zip(groups, _drawing_order(lines), strict=True):
        known = [at for at, value in zip(dates, lines[position].values, strict=True) if value is not None]
        points = [point for stretch in _stretches(group[0]) for point in stretch]
        (first, last), (start, end) = ((float(points[n].split(",")[0]) for n in (0, -1)), (known[0], known[-1]))
        spans.append(((end - start).days, start, first, last))
    days, start, first, last = max(spans)
    left, per_day = _moved_right(drawing) + first, (last - first) / max(days, 1)
    return [written(left + per_day * (at - start).days) for at in dates]


def _moved_right(element: Element) -> float:
    """How far the groups around the first line move it to the right, together."""
    for child in element:
        moved = float((child.get("transform") or "translate(0,").removeprefix("translate(").split(",")[0])
        if child.get("class") == "mark-line":
            return moved
        if next((each for each in child.iter("g") if each.get("class") == "mark-line"), None) is not None:
            return moved + _moved_right(child)
    return 0.0


def _knows(line: Line) -> bool:
    return any(value is not None for value in line.values)


def _drawing_order(lines: Sequence[Line]) -> list[int]:
    """Positions of the lines, bottom to top: thin ones above thick ones, and of one width the first above the others."""
    return sorted(range(len(lines)), key=lambda position: (-lines[position].width, -position))


def _cut(drawing: Element, kept: Sequence[int], edges: int) -> Element:
    """A copy of the drawing with only the first values of each line, and the first dates of the band.

    Args:
        drawing: all of it, each line in a group of its own, from bottom to top.
        kept: how many known values of each line stay.
        edges: how many dates of the band stay.
    """
    root = copy.deepcopy(drawing)
    counts = iter(kept)
    for group in root.iter("g"):
        match group.get("class"):
            case "mark-line":
                group[0].set("d", _line_data(_stretches(group[0]), next(counts)))
            case "mark-area":
                group[0].set("d", _band_data(_stretches(group[0]), edges))
    return root


def _stretches(path: Element) -> list[list[str]]:
    """The points of a path of straight lines, each as ``x,y``, stretch by stretch."""
    return [stretch.removesuffix("Z").split("L") for stretch in path.get("d", "").split("M")[1:]]


def _line_data(stretches: Sequence[Sequence[str]], kept: int) -> str:
    """The first so many points of a line; it has one for each known value, in the order of dates."""
    data = ""
    for stretch in stretches:
        points = stretch[:kept]
        kept -= len(points)
        if points:
            data += "M" + "L".join(points) + (DOT if len(points) == 1 else "")
    return data


def _band_data(stretches: Sequence[Sequence[str]], kept: int) -> str:
    """The first so many dates of a band: each stretch goes along its lower edge and back along the upper."""
    data = ""
    for stretch in stretches:
        dates = len(stretch) // 2
        count = min(kept, dates)
        kept -= count
        if count:
            data += "M" + "L".join([*stretch[:count], *stretch[len(stretch) - count :]]) + "Z"
    return data


@cache
def _draw(dates: tuple[date, ...], lines: tuple[Line, ...], band: ShadedBand | None, size: tuple[int, int]) -> Element:
    """All of the drawing, made once for the same dates and lines: the slow part. Not to be changed."""
    spec = specification("lines")
    spec["width"], spec["height"] = size
    area, line_layer = spec["layer"]
    if band is None:
        spec["layer"] = [line_layer]
    else:
        area["data"]["values"] = [
            {"at": at.isoformat(), "low": low, "high": high}
            for at, low, high in zip(dates, band.low, band.high, strict=True)
        ]
    days = [at.isoformat() for at in dates]
    line_layer["data"]["values"] = [
        row
        for place, position in enumerate(_drawing_order(lines))
        for row in line_rows(place, lines[position], days, lines[position].values)
    ]
    if len(dates) > 1:
        spec["encoding"]["x"]["scale"]["domain"] = [_milliseconds(dates[0]), _milliseconds(dates[-1])]
    if (dates[-1] - dates[0]).days < DAYS_SHOWN:
        spec["encoding"]["x"]["axis"]["format"] = "%-d %b"
    ticks = sorted({dates[0], dates[len(dates) // 2], dates[-1]})
    spec["encoding"]["x"]["axis"]["values"] = [_milliseconds(at) for at in ticks]
    return drawn(spec)


def _milliseconds(at: date) -> int:
    return int(datetime(at.year, at.month, at.day, tzinfo=UTC).timestamp()) * 1000


def _message(value: float | None, as_text: Callable[[float], str]) -> str:
    return NOTHING if value is None else as_text(value)


def _describe_band(band: ShadedBand, dates: Sequence[date], as_text: Callable[[float], str]) -> str:
    known = [
        (low, high, at)
        for low, high, at in zip(band.low, band.high, dates, strict=False)
        if low is not None and high is not None
    ]
    low, high, at = known[-1]
    widest_low, widest_high, widest_at = max(known, key=lambda edge: edge[1] - edge[0])
    return (
        f" {band.label}: {as_text(low)} to {as_text(high)} on {day(at)}, widest {as_text(widest_low)} to {as_text(widest_high)} on "
        f"{day(widest_at)}."
    )


def _describe(
    title: str, dates: Sequence[date], lines: Sequence[Line], as_text: Callable[[float], str], *, names_lowest: bool
) -> str:
    """The first and the last value of each line; the lowest too, but not where a band says that values are not exact."""
    reported = [f"{title}, {day(dates[0])} to {day(dates[-1])}." if len(dates) > 1 else f"{title}, {day(dates[0])}."]
    for line in lines:
        known = [(value, at) for at, value in zip(dates, line.values, strict=True) if value is not None]
        (first, _), (last, _) = known[0], known[-1]
        lowest, lowest_at = min(known)
        words = (
            f"{line.label}: {as_text(last)}"
            if len(known) == 1
            else f"{line.label}: from {as_text(first)} to {as_text(last)}"
        )
        reported.append(
            words + (f", lowest {as_text(lowest)} on {day(lowest_at)}." if names_lowest and len(known) > 2 else ".")
        )
    return " ".join(reported)
