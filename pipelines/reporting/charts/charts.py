"""Line charts as inline SVG, each with its meaning in words and its figures in a table.

The specification is reports/charts/lines.vl.json (Vega-Lite), drawn by vl-convert, offline. Colours are the page's own CSS
variables, so that one drawing serves light, dark and print. Lines differ by dash as well as by colour. Bars are in bars.py.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

from markupsafe import Markup

from pipelines.reporting.basis.page_tables import NOTHING, Column, Table, day
from pipelines.resources import resource_folder

DASHES = ("", "6 3", "2 3", "8 3 2 3", "12 4", "1 4")
"""One per colour of the page's CSS (--series-1 to --series-6), as SVG stroke-dasharray."""

SIZE = (350, 170)
"""Fits half a page, and a phone without its letters getting smaller."""
DAYS_SHOWN = 75
"""Charts of fewer days have days on their axis, others months."""


@dataclass(frozen=True)
class Line:
    """One line: a value or a gap (None) for each date. ``style`` picks colour and dash."""

    label: str
    values: tuple[float | None, ...]
    style: int
    width: float = 2.0

    @property
    def dash(self) -> str:
        """The line's stroke-dasharray."""
        return DASHES[self.style % len(DASHES)]

    @property
    def colour(self) -> str:
        """The line's colour as a CSS value."""
        return f"var(--series-{self.style % len(DASHES) + 1})"


@dataclass(frozen=True)
class Band:
    """A shaded area behind the lines: its lower and upper edge for each date, or a gap (None)."""

    label: str
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]


@dataclass(frozen=True)
class Chart:
    """A drawing (SVG without ids), what it is called, what it shows in words, its legend, and its figures as a table.

    ``areas`` are the labels and CSS colours of what is filled; ``data_name`` the file of the month's folder that holds the figures; ``note`` how to read it.
    """

    title: str
    svg: Markup
    description: str
    lines: tuple[Line, ...]
    figures: Table
    areas: tuple[tuple[str, str], ...] = ()
    data_name: str = ""
    note: str = ""


def line_chart(
    title: str,
    dates: Sequence[date],
    lines: Sequence[Line],
    tell: Callable[[float], str],
    until: date | None = None,
    band: Band | None = None,
    data_name: str = "",
    size: tuple[int, int] = SIZE,
) -> Chart | None:
    """Draw lines over dates; None when no line has two values: there is nothing to draw then.

    Args:
        title: what the chart shows, with its unit.
        dates: earliest first.
        lines: each with one value per date.
        tell: how a value is written, in the table and in words.
        until: the lines end here. The axes stay those of all dates, so that the charts of several months can be compared, and
            so that one drawing, the slow part, serves them all.
        band: shaded behind the lines; without two values it is left out.
        data_name: the file of the figures.
        size: width and height in units in which letters are 12 high.
    """
    shown = [at for at in dates if until is None or at <= until]
    whole = [line for line in lines if _knows(line)]
    known = [replace(line, values=line.values[: len(shown)]) for line in whole]
    drawn = [line for line in known if _knows(line)]
    kept = [sum(value is not None for value in line.values) for line in known]
    if max(kept, default=0) < 2:
        return None
    if band is not None and sum(value is not None for value in band.low[: len(shown)]) < 2:
        band = None
    svg = _cut(_draw(tuple(dates), tuple(whole), band, size), [kept[position] for position in _drawing_order(whole)])
    words = _describe(title, shown, drawn, tell)
    columns = [*drawn]
    if band is not None:
        svg = _cut_band(svg, sum(value is not None for value in band.low[: len(shown)]))
        words += _describe_band(band, shown, tell)
        columns += [Line(f"{band.label}, {end}", values, 0) for end, values in (("low", band.low), ("high", band.high))]
    figures = Table(
        title,
        (Column("Date"), *(Column(line.label, is_number=True) for line in columns)),
        tuple((day(at), *(_message(line.values[row], tell) for line in columns)) for row, at in enumerate(shown)),
    )
    areas = ((band.label, "var(--series-1)"),) if band is not None else ()
    return Chart(title, Markup(svg), words, tuple(drawn), figures, areas, data_name)  # no foreign text


def _knows(line: Line) -> bool:
    return any(value is not None for value in line.values)


def _cut(svg: str, kept: Sequence[int]) -> str:
    """The drawing with only so many vertices of each line; a line has one vertex per known value, in order of date."""
    counts = iter(kept)

    def shorten(found: re.Match[str]) -> str:
        vertices = [vertex.removesuffix("Z") for vertex in re.findall(r"[ML][^ML]*", found[2])[: next(counts)]]
        path = "".join(vertices)
        # A lone vertex shows as a dot; browsers lose it in dashed lines unless it has a length.
        return found[1] + re.sub(r"(M[^ML]*)(?=M|$)", r"\1h.1", path) + found[3]

    return re.sub(r'(<g class="mark-line[^>]*><path d=")([^"]*)(")', shorten, svg)


def _cut_band(svg: str, kept: int) -> str:
    """The drawing with only the first so many dates of the band: each stretch goes along its lower edge and back along the upper."""

    def shorten(found: re.Match[str]) -> str:
        left, stretches = kept, []
        for stretch in re.findall(r"M[^M]*", found[2]):
            points = re.findall(r"[^MLZ]+", stretch)
            there, back = points[: len(points) // 2], points[len(points) // 2 :]
            count = min(left, len(there))
            left -= count
            if count:
                stretches.append("M" + "L".join([*there[:count], *back[len(back) - count :]]) + "Z")
        return found[1] + "".join(stretches) + found[3]

    return re.sub(r'(<g class="mark-area[^>]*><path d=")([^"]*)(")', shorten, svg)


def _drawing_order(lines: Sequence[Line]) -> list[int]:
    """Positions of the lines, bottom to top: thin ones above thick ones, and of one width the first above the others."""
    return sorted(range(len(lines)), key=lambda position: (-lines[position].width, -position))


@cache
def _specification() -> dict[str, Any]:
    text = (resource_folder("reports") / "charts" / "lines.vl.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


@cache
def _draw(dates: tuple[date, ...], lines: tuple[Line, ...], band: Band | None, size: tuple[int, int]) -> str:
    """The SVG, without sizes: the page's CSS sizes it. Drawn once for the same dates and lines."""
    import vl_convert

    spec = copy.deepcopy(_specification())
    spec["width"], spec["height"] = size
    area, line_layer = spec["layer"]
    if band is None:
        spec["layer"] = [line_layer]
    else:
        area["data"]["values"] = [
            {"at": at.isoformat(), "low": low, "high": high}
            for at, low, high in zip(dates, band.low, band.high, strict=True)
        ]
    line_layer["data"]["values"] = [
        {
            "at": at.isoformat(),
            "series": place,
            "value": value,
            "stroke": line.colour,
            "dash": [float(length) for length in line.dash.split()] or [1, 0],
            "width": line.width,
        }
        for place, line in enumerate(lines[position] for position in _drawing_order(lines))
        for at, value in zip(dates, line.values, strict=True)
    ]
    if len(dates) > 1:
        spec["encoding"]["x"]["scale"]["domain"] = [_milliseconds(dates[0]), _milliseconds(dates[-1])]
    if (dates[-1] - dates[0]).days < DAYS_SHOWN:
        spec["encoding"]["x"]["axis"]["format"] = "%-d %b"
    ticks = sorted({dates[0], dates[len(dates) // 2], dates[-1]})
    spec["encoding"]["x"]["axis"]["values"] = [_milliseconds(at) for at in ticks]
    svg = vl_convert.vegalite_to_svg(spec)
    svg = re.sub(r'<path class="(?:back|fore)ground"[^>]*/>', "", svg)  # empty helper shapes
    return re.sub(r'<svg([^>]*?) width="\d+" height="\d+"', r'<svg aria-hidden="true"\1', svg)


def _milliseconds(at: date) -> int:
    return int(datetime(at.year, at.month, at.day, tzinfo=UTC).timestamp()) * 1000


def _message(value: float | None, tell: Callable[[float], str]) -> str:
    return NOTHING if value is None else tell(value)


def _describe_band(band: Band, dates: Sequence[date], tell: Callable[[float], str]) -> str:
    known = [
        (low, high, at)
        for low, high, at in zip(band.low, band.high, dates, strict=False)
        if low is not None and high is not None
    ]
    low, high, at = known[-1]
    widest_low, widest_high, widest_at = max(known, key=lambda edge: edge[1] - edge[0])
    return (
        f" {band.label}: {tell(low)} to {tell(high)} on {day(at)}, widest {tell(widest_low)} to {tell(widest_high)} on "
        f"{day(widest_at)}."
    )


def _describe(title: str, dates: Sequence[date], lines: Sequence[Line], tell: Callable[[float], str]) -> str:
    reported = [f"{title}, {day(dates[0])} to {day(dates[-1])}." if len(dates) > 1 else f"{title}, {day(dates[0])}."]
    for line in lines:
        known = [(value, at) for at, value in zip(dates, line.values, strict=True) if value is not None]
        (first, _), (last, _) = known[0], known[-1]
        lowest, lowest_at = min(known)
        words = (
            f"{line.label}: {tell(last)}" if len(known) == 1 else f"{line.label}: from {tell(first)} to {tell(last)}"
        )
        reported.append(words + (f", lowest {tell(lowest)} on {day(lowest_at)}." if len(known) > 2 else "."))
    return " ".join(reported)
