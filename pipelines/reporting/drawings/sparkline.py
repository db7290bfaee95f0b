"""A line the size of a word: how a cost went, without axes."""

from __future__ import annotations

from collections.abc import Sequence

from pipelines.reporting.basis.page_tables import Drawing
from pipelines.reporting.drawings.elements import markup, shape

WIDTH, HEIGHT, MARGIN = 96, 22, 3


def sparkline(values: Sequence[float | None], words: str) -> Drawing | None:
    """A line of the values, equally far apart, with a dot at the last; gaps where there is none.

    A page may have hundreds: places are whole units, steps go from point to point, and the style sheet says how it looks.

    Args:
        values: earliest first.
        words: what the line shows, for those who do not see it.

    Returns:
        The drawing; None where fewer than two values are known.
    """
    known = [value for value in values if value is not None]
    if len(known) < 2:
        return None
    low, high = min(known), max(known)
    step = (WIDTH - 2 * MARGIN) / (len(values) - 1)
    room = HEIGHT - 2 * MARGIN
    data, last = "", None
    dot = (0, 0)
    for number, value in enumerate(values):
        if value is None:
            last = None
            continue
        height = room / 2 if high == low else (value - low) / (high - low) * room
        dot = round(MARGIN + number * step), round(HEIGHT - MARGIN - height)
        if last is None:
            # A value without neighbours is a dot: a line so short, with round ends.
            data += f"M{dot[0]} {dot[1]}h0"
        else:
            data += f"l{dot[0] - last[0]} {dot[1] - last[1]}"
        last = dot
    root = shape("svg", viewBox=f"0 0 {WIDTH} {HEIGHT}")
    root.extend((shape("path", d=data), shape("circle", cx=dot[0], cy=dot[1], r=2)))
    return Drawing(markup(root, words), words)
