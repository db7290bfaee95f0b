"""Drawings of a sheet: its colours, costs with their ranges, steps from one cost to another, and orders.

Words stand above their marks, so that the longest name has room on a phone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from markupsafe import Markup

from pipelines.reporting.basis.look import BOX, HOLLOW_DASH, INK, PAPER, RULE, SERIES, TEXT, WIDTH, fitting, width_of
from pipelines.reporting.basis.page_tables import Table
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.elements import label, markup, path, shape, svg

ROW, DOT, THICK, EDGE = 40, 5, 12, 8
"""A row's height, a dot's radius, a bar's thickness, and the room at both ends of a scale."""
MARKS_AT, WORDS_AT = 27, 14
"""How far below a row's top its marks and its words stand."""
MARGIN = 2
"""Left of words: some fonts start a letter before its place."""
BAR_WIDTH, BAR_HEIGHT = 1000, 40
"""Of the bar of colours, which is stretched to the page's width."""
SHOWN_DIFFERENT = 0.02
"""The least share of the scale's width that a range takes to be drawn as one."""


@dataclass(frozen=True)
class Paint:
    """A colour of the model: its name, how it looks (sRGB, such as #F4F4F0; empty if not known), its share in per cent."""

    name: str
    srgb_hex: str
    share_pct: int
    is_clear: bool = False


@dataclass(frozen=True)
class Cost:
    """A cost and the least it may be."""

    label: str
    low: float
    cost: float
    figure: str
    is_strong: bool = False


@dataclass(frozen=True)
class Step:
    """From one cost to the next; hollow where it is not certain to be cheaper or dearer."""

    label: str
    change: float
    figure: str
    is_hollow: bool


@dataclass(frozen=True)
class Parcel:
    """An order: goods and charges, and both in words."""

    label: str
    goods: float
    charges: float
    figure: str


def swatch(srgb_hex: str, *, is_clear: bool = False) -> Markup:
    """A small square of a colour with a border; a stroke across it where light comes through; nothing for an unknown one."""
    if not srgb_hex:
        return Markup()
    root = shape("svg", viewBox="0 0 14 14", width=14, height=14, aria_hidden="true")
    root.set("class", "swatch")
    root.append(shape("rect", x=0.5, y=0.5, width=13, height=13, fill=srgb_hex, stroke="currentColor"))
    if is_clear:
        root.append(path("M", 1, 13, "L", 13, 1, stroke="currentColor"))
    # Hidden from screen readers: the colour's name always stands beside it.
    return _hidden(root)


def _hidden(root: Element) -> Markup:
    made = markup(root, "")
    return Markup(made.replace(' role="img" aria-label=""', ""))  # noqa: S704 - our own serialised element


def palette_bar(paints: Sequence[Paint]) -> Markup:
    """One bar, a part for each colour, as wide as its share."""
    parts, left = [], 0.0
    whole = sum(paint.share_pct for paint in paints) or 1
    for paint in paints:
        wide = BAR_WIDTH * paint.share_pct / whole
        parts.append(shape("rect", x=left, width=wide, height=BAR_HEIGHT, fill=paint.srgb_hex or BOX, stroke=PAPER))
        if paint.is_clear:
            parts.append(path("M", left, BAR_HEIGHT, "L", left + wide, 0, stroke=PAPER))
        left += wide
    root = svg(BAR_WIDTH, BAR_HEIGHT, parts)
    root.set("preserveAspectRatio", "none")
    words = ", ".join(f"{paint.name} {paint.share_pct} %" for paint in paints)
    return markup(root, f"Colours by share of pieces: {words}.")


class _Scale:
    """From the least to the most, over the drawing's width."""

    def __init__(self, values: Sequence[float]) -> None:
        self.low, self.high = min(values), max(values)

    def across(self, value: float) -> float:
        return EDGE + (WIDTH - 2 * EDGE) * (value - self.low) / ((self.high - self.low) or 1.0)


def _words(row: int, name: str, figure: str, *, is_strong: bool = False) -> list[Element]:
    height = row * ROW + WORDS_AT
    made = [label(MARGIN, height, fitting(name, WIDTH - width_of(figure) - TEXT)), label(WIDTH, height, figure, "end")]
    if is_strong:
        made[1].set("font-weight", "700")
    return made


def _drawing(rows: int, marks: Sequence[Element], words: str) -> Markup:
    return markup(svg(WIDTH, rows * ROW, marks), words)


def _dot(scale: _Scale, row: int, low: float, cost: float) -> list[Element]:
    """A dot at the cost and a bar from the least it may be."""
    middle, end = row * ROW + MARKS_AT, scale.across(cost)
    marks = [path("M", EDGE, middle, "H", WIDTH - EDGE, stroke=RULE)]
    if end - scale.across(low) >= SHOWN_DIFFERENT:
        marks.append(path("M", scale.across(low), middle, "H", end, stroke=SERIES[0], stroke_width=4))
        marks.append(path("M", scale.across(low), middle - DOT, "v", 2 * DOT, stroke=SERIES[0], stroke_width=1.5))
    return [*marks, shape("circle", cx=end, cy=middle, r=DOT, fill=SERIES[0])]


def cost_dots(title: str, costs: Sequence[Cost], figures: Table, note: str) -> Chart | None:
    """Costs on one scale, each a dot with the range below it; None without any."""
    if not costs:
        return None
    scale = _Scale([value for each in costs for value in (each.low, each.cost)])
    marks = []
    for row, each in enumerate(costs):
        marks += _dot(scale, row, each.low, each.cost)
        marks += _words(row, each.label, each.figure, is_strong=each.is_strong)
    words = f"{title}. " + "; ".join(f"{each.label} {each.figure}" for each in costs) + "."
    return Chart(title, _drawing(len(costs), marks, words), words, (), figures, note=note)


def waterfall(title: str, first: Cost, steps: Sequence[Step], last: Cost, figures: Table, note: str) -> Chart:
    """From the first cost to the last: a dot, a bar for each step where the one before ended, and a dot."""
    reached = [first.cost]
    for step in steps:
        reached.append(reached[-1] + step.change)
    scale = _Scale([*reached, last.cost, first.low, last.low])
    joints: list[Element] = []  # below dots and bars
    marks = [*_dot(scale, 0, first.low, first.cost), *_words(0, first.label, first.figure)]
    for row, (step, start, end) in enumerate(zip(steps, reached, reached[1:], strict=False), 1):
        middle = row * ROW + MARKS_AT
        left, right = sorted((scale.across(start), scale.across(end)))
        colour = SERIES[0] if step.change < 0 else SERIES[1]
        joints.append(path("M", scale.across(start), middle - ROW, "V", middle, stroke=RULE))
        marks.append(
            shape(
                "rect", x=left, y=middle - THICK / 2, width=max(right - left, 1), height=THICK,
                fill=PAPER if step.is_hollow else colour, stroke=colour,
                stroke_dasharray=HOLLOW_DASH if step.is_hollow else "",
            )
        )  # fmt: skip
        marks += _words(row, step.label, step.figure)
    row = len(steps) + 1
    joints.append(path("M", scale.across(last.cost), (row - 1) * ROW + MARKS_AT, "v", ROW, stroke=RULE))
    marks += [*_dot(scale, row, last.low, last.cost), *_words(row, last.label, last.figure, is_strong=True)]
    ends = [f"{each.label} {each.figure}" for each in (first, last)]
    spoken = [ends[0], *(f"{step.label} {step.figure}" for step in steps), ends[1]]
    words = f"{title}. {'; '.join(spoken)}."
    return Chart(title, _drawing(row + 1, [*joints, *marks], words), words, (), figures, note=note)


def parcel_bars(title: str, parcels: Sequence[Parcel], figures: Table, as_text: Callable[[float], str]) -> Chart | None:
    """A bar for each order: goods filled, charges hollow; None without any."""
    if not parcels:
        return None
    scale = _Scale([0.0, *(each.goods + each.charges for each in parcels)])
    marks = []
    for row, each in enumerate(parcels):
        top, ends = (
            row * ROW + MARKS_AT - THICK / 2,
            [scale.across(each.goods), scale.across(each.goods + each.charges)],
        )
        marks.append(shape("rect", x=EDGE, y=top, width=ends[0] - EDGE, height=THICK, fill=SERIES[0], stroke=SERIES[0]))
        if each.charges > 0:
            marks.append(
                shape(
                    "rect", x=ends[0], y=top, width=ends[1] - ends[0], height=THICK, fill=PAPER, stroke=INK,
                    stroke_dasharray=HOLLOW_DASH,
                )
            )  # fmt: skip
        marks += _words(row, each.label, each.figure)
    spoken = [f"{each.label}: goods {as_text(each.goods)}, charges {as_text(each.charges)}" for each in parcels]
    words = f"{title}. {'; '.join(spoken)}."
    areas = (("goods", SERIES[0]), ("shipping, handling and tax", ""))
    return Chart(title, _drawing(len(parcels), marks, words), words, (), figures, areas)
