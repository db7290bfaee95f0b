"""One line over dates with a band behind it, and letters above for what happened: the index of a month's report."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date

from pipelines.reporting.basis.look import BAND_OPACITY, RULE, SERIES, TEXT, WIDTH, width_of
from pipelines.reporting.basis.page_tables import NOTHING, Table, TableColumn, day, month_name
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.elements import label, markup, path, svg, written

HIGH, TOP, BELOW, GAP = 190, 20, 22, 6
"""The drawing's height, the room for letters above, for dates below, and beside figures."""
EVENT_DASH = "2 3"


def timeline(
    title: str,
    dates: Sequence[date],
    middle: Sequence[float | None],
    ends: Sequence[tuple[float, float] | None],
    events: Sequence[tuple[date, str]],
    kinds: Mapping[str, str],
    as_text: Callable[[float], str],
    band_words: str,
    line_words: str,
    data_name: str = "",
) -> Chart | None:
    """A line with its band and events; None without two values.

    Args:
        title: what the chart shows, with its unit.
        dates: earliest first.
        middle: the line, a value or a gap for each date.
        ends: the band's lower and upper edge for each date, or a gap.
        events: dates, each with a letter; a letter that would touch another is left out.
        kinds: what each letter means, in the order in which they get room.
        as_text: how a value is written.
        band_words, line_words: what the band and the line are.
        data_name: the file of the figures.
    """
    known = [(at, value) for at, value in zip(dates, middle, strict=True) if value is not None]
    if len(known) < 2:
        return None
    reached = [value for _, value in known] + [end for pair in ends if pair for end in pair]
    low, high = min(reached), max(reached)
    left = max(width_of(as_text(low)), width_of(as_text(high))) + GAP
    first, days = dates[0], max((dates[-1] - dates[0]).days, 1)

    def across(at: date) -> float:
        return left + (WIDTH - left - GAP) * (at - first).days / days

    def down(value: float) -> float:
        return HIGH - BELOW - (HIGH - TOP - BELOW) * (value - low) / ((high - low) or 1.0)

    marks = [path("M", left, down(end), "H", WIDTH, stroke=RULE) for end in (low, high)]
    edged = [(at, pair) for at, pair in zip(dates, ends, strict=True) if pair]
    if len(edged) > 1:
        there = [step for at, pair in edged for step in ("L", across(at), down(pair[1]))]
        back = [step for at, pair in reversed(edged) for step in ("L", across(at), down(pair[0]))]
        band = path("M", *there[1:], *back, "Z", fill=SERIES[0])
        band.set("fill-opacity", f"{BAND_OPACITY}")
        marks.append(band)
    shown = sorted({(at, kind) for at, kind in events if first <= at <= dates[-1]})
    taken: list[tuple[float, float]] = []
    for at, kind in sorted(shown, key=lambda event: list(kinds).index(event[1])):
        place, half = across(at), width_of(kind) / 2
        marks.append(path("M", place, TOP, "V", HIGH - BELOW, stroke=SERIES[1], stroke_dasharray=EVENT_DASH))
        if all(abs(place - other) >= half + other_half for other, other_half in taken):
            marks.append(label(place, TEXT, kind, "middle"))
            taken.append((place, half))
    steps = [
        step for number, (at, value) in enumerate(known) for step in ("L" if number else "M", across(at), down(value))
    ]
    marks.append(path(*steps, fill="none", stroke=SERIES[0], stroke_width=2.5, stroke_linejoin="round"))
    texts = [label(left - GAP, down(end) + TEXT / 3, as_text(end), "end") for end in (low, high)]
    texts += [
        label(left, HIGH - GAP, month_name(f"{first:%Y-%m}")),
        label(WIDTH, HIGH - GAP, month_name(f"{dates[-1]:%Y-%m}"), "end"),
    ]
    used = [f"{kind}: {kinds[kind]}" for kind in kinds if any(kind == other for _, other in shown)]
    note = f"Letters mark what took effect: {'; '.join(used)}." if used else ""
    words = (
        f"{title}, {day(known[0][0])} to {day(known[-1][0])}. {line_words}: from {as_text(known[0][1])} to {as_text(known[-1][1])}."
        + (f" {band_words}: {as_text(edged[-1][1][0])} to {as_text(edged[-1][1][1])} at the end." if edged else "")
    )
    rows = tuple(
        (
            day(at),
            NOTHING if value is None else as_text(value),
            f"{as_text(pair[0])} to {as_text(pair[1])}" if pair else NOTHING,
        )
        for at, value, pair in zip(dates, middle, ends, strict=True)
    )
    figures = Table(title, (TableColumn("Date"), TableColumn(line_words, True), TableColumn(band_words, True)), rows)
    areas = ((band_words, SERIES[0]),) if edged else ()
    drawing = markup(svg(WIDTH, HIGH, [*marks, *texts]), words)
    line = Line(line_words, tuple(middle), 0, 2.5)
    return Chart(
        title, drawing, words, (line,), figures, areas, data_name, note, tuple(written(across(at)) for at in dates)
    )
