"""The picture for sharing: title, one large figure, the finding and a small line, 1200 x 630, in the page's light colours."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from xml.etree.ElementTree import Element, tostring

from pipelines.reporting.basis.look import INK, PAPER, RULE, SERIES, fitting, light_colours, width_of
from pipelines.reporting.basis.page_tables import month_name
from pipelines.reporting.drawings.elements import NAMESPACE, label, path, shape

WIDTH, HEIGHT = 1200, 630
LEFT, RIGHT = 64, 1136
LINE_HEIGHT, LINE_BOTTOM, LINE_LEFT = 170, 510, 64
TITLE, FIGURE, NOTE, FINDING, SMALL = 46, 92, 28, 34, 22
"""Sizes of its text."""
FINDING_LINES, FINDING_ROW = 3, 44
NARROWER = 1.2
"""How much narrower the picture's own font is than the widest of readers' fonts, which ``width_of`` measures."""
SANS, SERIF = "Liberation Sans, Arial, sans-serif", "Liberation Serif, Georgia, serif"
"""The fonts that come with the program that draws the picture, so that it looks the same everywhere."""


@dataclass(frozen=True)
class Shared:
    """What a picture says: nothing that its page does not say.

    ``figure`` and ``note``: the large figure and what it is; ``values``: of the small line, a gap is None; ``source``: the last line.
    """

    title: str
    figure: str
    note: str
    finding: str
    dates: tuple[date, ...]
    values: tuple[float | None, ...]
    line_words: str
    source: str

    @property
    def words(self) -> str:
        """All that the picture says, for those who do not see it."""
        return " ".join(
            part
            for part in (f"{self.title}.", f"{self.figure}: {self.note}." if self.figure else "", self.finding)
            if part
        )


def write_share_picture(place: Path, shared: Shared, as_text: Callable[[float], str]) -> Path:
    """Write a PNG of 1200 x 630; same words and values, same bytes."""
    import vl_convert

    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(vl_convert.svg_to_png(share_svg(shared, as_text), scale=1))
    return place


def share_svg(shared: Shared, as_text: Callable[[float], str]) -> str:
    """The picture as SVG, colours as values: what draws it knows no style sheet."""
    root = shape("svg", xmlns=NAMESPACE, viewBox=f"0 0 {WIDTH} {HEIGHT}", width=WIDTH, height=HEIGHT)
    root.append(shape("rect", width=WIDTH, height=HEIGHT, fill=PAPER))
    root.append(shape("rect", width=16, height=HEIGHT, fill=SERIES[0]))
    root.append(_text(LEFT, 88, TITLE, shared.title, SERIF, "700"))
    top = 190
    if shared.figure:
        root.append(_text(LEFT, 200, FIGURE, shared.figure, SANS, "700", SERIES[0]))
        root.append(_text(LEFT, 246, NOTE, shared.note))
        top = 306
    lines = _wrapped(shared.finding, (RIGHT - LEFT) * NARROWER, FINDING, FINDING_LINES)
    for number, words in enumerate(lines):
        root.append(_text(LEFT, top + number * FINDING_ROW, FINDING, words))
    root.extend(_line(shared, as_text, max(top + (len(lines) - 1) * FINDING_ROW + 50, LINE_BOTTOM - LINE_HEIGHT)))
    root.append(_text(LEFT, HEIGHT - 26, SMALL, shared.source))
    return tostring(_with_values(root), encoding="unicode")


def _line(shared: Shared, as_text: Callable[[float], str], highest: float) -> list[Element]:
    """The line below a height, with its first and last value and month; nothing without two values."""
    known = [(at, value) for at, value in enumerate(shared.values) if value is not None]
    if len(known) < 2:
        return []
    low, high = min(value for _, value in known), max(value for _, value in known)
    first, last = as_text(known[0][1]), as_text(known[-1][1])
    left = LINE_LEFT + width_of(first, SMALL) + 16
    right = RIGHT - width_of(last, SMALL) - 16

    def across(at: int) -> float:
        return left + (right - left) * (at - known[0][0]) / (known[-1][0] - known[0][0])

    def down(value: float) -> float:
        return LINE_BOTTOM - (LINE_BOTTOM - highest) * (value - low) / ((high - low) or 1.0)

    data: list[str | float] = []
    for number, (at, value) in enumerate(known):
        is_next = number > 0 and known[number - 1][0] == at - 1
        data += ["L" if is_next else "M", across(at), down(value)]
    start, end = (month_name(f"{shared.dates[at]:%Y-%m}") for at in (known[0][0], known[-1][0]))
    made = [
        path("M", left, LINE_BOTTOM + 8, "H", right, stroke=RULE, stroke_width=2),
        path(*data, fill="none", stroke=SERIES[0], stroke_width=5, stroke_linejoin="round", stroke_linecap="round"),
        path("M", right, down(known[-1][1]), "h.1", stroke=SERIES[0], stroke_width=16, stroke_linecap="round"),
        _text(LINE_LEFT, down(known[0][1]) + 8, SMALL, first),
        _text(int(right + 16), down(known[-1][1]) + 8, SMALL, last, SANS, "700"),
    ]
    below = f"{shared.line_words}, {start} to {end}"
    return [*made, _text(int(left), LINE_BOTTOM + 36, SMALL, below)]


def _text(x: float, y: float, size: int, words: str, family: str = SANS, weight: str = "", fill: str = INK) -> Element:
    made = label(x, y, fitting(words, max(RIGHT - x, SMALL * 6) * NARROWER, size))
    for name, value in (("font-size", str(size)), ("font-weight", weight), ("font-family", family), ("fill", fill)):
        if value:
            made.set(name, value)
    return made


def _wrapped(words: str, room: float, size: int, most: int) -> Sequence[str]:
    """Words in lines that fit; the last is cut where there are more."""
    lines: list[str] = []
    for word in words.split():
        if lines and width_of(f"{lines[-1]} {word}", size) <= room:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], fitting(" ".join(lines[most - 1 :]), room, size)]


def _with_values(root: Element) -> Element:
    colours = light_colours()
    for element in root.iter():
        for name in ("fill", "stroke"):
            if (colour := element.get(name)) in colours:
                element.set(name, colours[colour])
    return root
