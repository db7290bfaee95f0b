"""Rows on one scale: a label at the left, a figure at the right, and between them the room for marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element

from pipelines.reporting.basis.look import RULE, TEXT, WIDTH, fitting, width_of
from pipelines.reporting.drawings.elements import label, path, svg

ROW, TOP, GAP = 22, 6, 6
"""A row's height, the room above the first and below the last, and the room between text and marks."""
MOST_OF_WIDTH = 0.42
"""The share of the width that labels may take; longer ones are cut, and the table of the figures has all of them."""


class Rows:
    """Where things go in a drawing of rows. Every label and figure has room in the widest of the usual fonts."""

    def __init__(self, labels: Sequence[str], reported: Sequence[str], values: Iterable[float]) -> None:
        """``reported`` are the figures at the right; ``values`` what the scale must reach, zero always."""
        reached = [0.0, *values]
        self.low, self.high = min(reached), max(reached)
        self.labels = [fitting(each, WIDTH * MOST_OF_WIDTH) for each in labels]
        self.reported = reported
        self.left = max(width_of(each) for each in self.labels) + GAP
        self.right = WIDTH - max(width_of(each) for each in reported) - GAP

    def across(self, value: float) -> float:
        """Where a value is on the scale."""
        return self.left + (self.right - self.left) * (value - self.low) / ((self.high - self.low) or 1.0)

    @staticmethod
    def middle(row: int) -> float:
        """The height of a row's middle; the first row is 0."""
        return TOP + row * ROW + ROW / 2

    def drawing(self, marks: Sequence[Element], ticks: Sequence[tuple[float, str]] = ()) -> Element:
        """The marks with a rule at zero, the texts of the rows, and the ticks, values and words, below them."""
        zero, end = self.across(0.0), TOP + len(self.labels) * ROW
        texts = [
            text
            for row, (name, figure) in enumerate(zip(self.labels, self.reported, strict=True))
            for text in (
                label(self.left - GAP, self.middle(row) + TEXT / 3, name, "end"),
                label(WIDTH, self.middle(row) + TEXT / 3, figure, "end"),
            )
        ]
        below = self._ticks(ticks, end + TEXT)
        rule = path("M", zero, TOP, "V", end, stroke=RULE)
        return svg(WIDTH, end + TOP + (TEXT if below else 0), [rule, *marks, *texts, *below])

    def _ticks(self, ticks: Sequence[tuple[float, str]], height: float) -> list[Element]:
        """Those left out that would touch the one before."""
        shown, free_from = [], 0.0
        for value, words in sorted(set(ticks)):
            half = width_of(words) / 2
            place = min(max(self.across(value), half), WIDTH - half)
            if place - half >= free_from:
                shown.append(label(place, height, words, "middle"))
                free_from = place + half + GAP
        return shown
