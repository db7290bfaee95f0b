"""What a page gets: a drawing, and the same in words, in a legend and in a table."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from pipelines.reporting.basis.look import DASHES, SERIES
from pipelines.reporting.basis.page_tables import Table


@dataclass(frozen=True)
class Line:
    """One line: a value or a gap (None) for each step. ``style`` picks colour and dash."""

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
        return SERIES[self.style % len(SERIES)]


@dataclass(frozen=True)
class Chart:
    """A drawing (SVG that carries its description), what it is called, what it shows in words, its legend, and its figures.

    ``areas`` are the labels and CSS colours of what is filled; ``data_name`` the file of the month's folder that holds the figures;
    ``note`` how to read it. ``at`` has the place across the drawing of each row of the figures, in its units, where rows are dates: the
    page's script reads values out by them.
    """

    title: str
    svg: Markup
    description: str
    lines: tuple[Line, ...]
    figures: Table
    areas: tuple[tuple[str, str], ...] = ()
    data_name: str = ""
    note: str = ""
    at: tuple[str, ...] = ()
