"""Stacked bars to both sides of zero: what each cause adds to a change. Causes differ by stripes and order, not by colour alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from pipelines.reporting.basis.look import HOLLOW_DASH, INK, PAPER, SERIES, TEXT, WIDTH, width_of
from pipelines.reporting.basis.page_tables import Table
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.elements import label, markup, path, shape, written
from pipelines.reporting.drawings.rows import Rows

THICK = 15
COLOURS = (SERIES[0], SERIES[1], SERIES[4], SERIES[3], SERIES[2])
STRIPES = (("", 0), ("1 4", THICK), ("2 2", THICK), ("", 6), ("", 2))
"""For each cause, its colour, and the dashes and the thickness of a line of the paper's colour along its segments: stripes across, or along."""
KEY_ROW, SWATCH, GAP = 18, 22, 6
"""Of the key below the rows: a line's height, a swatch's width, the room beside it."""
HOW_TO_READ = "Right of the line: dearer. Left: cheaper. Bars are stacked outwards, in the order of the key."


@dataclass(frozen=True)
class Segment:
    """A part of a bar: which cause (its place among the causes) and how much; hollow where its sign is not certain."""

    cause: int
    value: float
    is_hollow: bool = False


@dataclass(frozen=True)
class Stack:
    """A row: its segments, and the whole change in words."""

    label: str
    segments: tuple[Segment, ...]
    together: str


def stacked_chart(
    title: str, rows_are: str, causes: Sequence[str], stacks: Sequence[Stack], hollow_means: str, figures: Table
) -> Chart | None:
    """Rows of stacked bars; None without any.

    Args:
        title: what the chart shows, with its unit.
        rows_are: what a row is.
        causes: from the zero line outwards; at most as many as there are colours.
        stacks: from top to bottom.
        hollow_means: what hollow segments stand for, for the legend.
        figures: the table of the figures, which has the ranges.
    """
    drawn = [stack for stack in stacks if any(segment.value for segment in stack.segments)]
    if not drawn:
        return None
    reach = [sum(s.value for s in stack.segments if s.value > 0) for stack in drawn]
    reach += [sum(s.value for s in stack.segments if s.value < 0) for stack in drawn]
    rows = Rows([stack.label for stack in drawn], [stack.together for stack in drawn], reach)
    marks = [mark for row, stack in enumerate(drawn) for mark in _bar(rows, row, stack)]
    used = sorted({segment.cause for stack in drawn for segment in stack.segments if segment.value})
    keys: list[tuple[str, int | None]] = [(causes[cause], cause) for cause in used]
    if any(segment.is_hollow and segment.value for stack in drawn for segment in stack.segments):
        keys.append((hollow_means, None))
    root = rows.drawing(marks)
    _add_key(root, keys)
    words = f"{title}. {rows_are}s: " + "; ".join(f"{stack.label} {stack.together}" for stack in drawn) + "."
    return Chart(title, markup(root, words), words, (), figures, note=HOW_TO_READ)


def _bar(rows: Rows, row: int, stack: Stack) -> list[Element]:
    marks: list[Element] = []
    ends = {True: 0.0, False: 0.0}
    for segment in stack.segments:
        if not segment.value:
            continue
        side = segment.value > 0
        start, ends[side] = ends[side], ends[side] + segment.value
        left, right = sorted((rows.across(start), rows.across(ends[side])))
        marks += _segment(left, rows.middle(row), max(right - left, 0.5), segment.cause, is_hollow=segment.is_hollow)
    return [*marks, path("M", rows.across(0.0), rows.middle(row) - THICK / 2, "v", THICK, stroke=INK)]


def _segment(left: float, middle: float, width: float, cause: int, *, is_hollow: bool) -> list[Element]:
    colour, (dashes, thick) = COLOURS[cause], STRIPES[cause]
    box = shape("rect", x=left, y=middle - THICK / 2, width=width, height=THICK, stroke=colour)
    box.set("fill", PAPER if is_hollow else colour)
    if is_hollow:
        box.set("stroke-dasharray", HOLLOW_DASH)
        return [box]
    if not thick:
        return [box]
    return [box, path("M", left, middle, "h", width, stroke=PAPER, stroke_width=thick, stroke_dasharray=dashes)]


def _add_key(root: Element, keys: Sequence[tuple[str, int | None]]) -> None:
    """The key below the rows, in as many lines as it takes; None stands for hollow segments."""
    height, left = float(root.attrib["viewBox"].split()[3]) + GAP, 0.0
    for words, cause in keys:
        wide = SWATCH + GAP + width_of(words) + 2 * GAP
        if left and left + wide > WIDTH:
            height, left = height + KEY_ROW, 0.0
        root.extend(_segment(left, height + KEY_ROW / 2, SWATCH, cause or 0, is_hollow=cause is None))
        root.append(label(left + SWATCH + GAP, height + KEY_ROW / 2 + TEXT / 3, words))
        left += wide
    root.set("viewBox", f"0 0 {written(WIDTH)} {written(height + KEY_ROW)}")
