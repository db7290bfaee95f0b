"""A line the size of a word: how a cost went, without axes."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines.reporting.basis.look import SERIES
from pipelines.reporting.basis.page_tables import Drawing
from pipelines.reporting.drawings.elements import markup, path, shape, svg, written

WIDTH, HEIGHT, MARGIN = 96, 22, 3


def sparkline(values: Sequence[float | None], words: str) -> Drawing | str:
    """A line of the values, equally far apart, with a dot at the last; gaps where there is none.

    Args:
        values: earliest first.
        words: what the line shows, for those who do not see it.

    Returns:
        The drawing, or no text where fewer than two values are known.
    """
    known = [value for value in values if value is not None]
    if len(known) < 2:
        return ""
    low, high = min(known), max(known)
    step = (WIDTH - 2 * MARGIN) / (len(values) - 1)
    places = [
        None
        if value is None
        else (
            MARGIN + position * step,
            HEIGHT / 2 if high == low else HEIGHT - MARGIN - (value - low) / (high - low) * (HEIGHT - 2 * MARGIN),
        )
        for position, value in enumerate(values)
    ]
    data, is_drawing = "", False
    for place in places:
        if place is not None:
            data += f"{'L' if is_drawing else 'M'}{written(place[0])} {written(place[1])}"
        is_drawing = place is not None
    x, y = next(place for place in reversed(places) if place is not None)
    parts = [
        path(data, fill="none", stroke=SERIES[0], stroke_width=1.5),
        shape("circle", cx=x, cy=y, r=2.2, fill=SERIES[0]),
    ]
    return Drawing(markup(svg(WIDTH, HEIGHT, parts), words), words)
