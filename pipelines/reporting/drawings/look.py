"""How drawings look: one palette, one size of text, and the room that text needs in a font wider than ours."""

from __future__ import annotations

from functools import cache
from typing import Any

from pipelines.reporting.basis.marks import BAND_OPACITY
from pipelines.resources import resource_folder

INK, PAPER, RULE, BOX = "currentColor", "var(--paper)", "var(--rule)", "var(--band)"
"""Text and axes, the ground, thin rules, and the filled part of a spread: names of the page's own colours (page.css)."""
SERIES = tuple(f"var(--series-{number})" for number in range(1, 7))
"""Colours of lines and bars, in the order in which they are used."""
DASHES = ("", "6 3", "2 3", "8 3 2 3", "12 4", "1 4")
"""One per colour of SERIES, as SVG stroke-dasharray: lines differ by more than colour."""

WIDTH, HEIGHT = 350, 170
"""Units of a drawing: half a page, and a phone, on which a unit is a pixel."""
TEXT = 12
"""The size of all text in drawings, in those units."""
WIDER = 1.3
"""How much wider than the fonts of Vega the reader's may be. From widths measured in Chromium: a figure with its sign takes 1.28 times the room of
Liberation Sans in DejaVu Sans, the widest of the usual fonts, where letters are placed at whole pixels; words take less."""

VEGA_CONFIG: dict[str, Any] = {
    "aria": False,
    "background": "transparent",
    "view": {"stroke": None},
    "axis": {
        "domain": False,
        "ticks": False,
        "title": None,
        "labelColor": INK,
        # Vega lays out with letters that are larger than those written in the end: that is the room for wider fonts.
        "labelFont": "Liberation Sans",
        "labelFontSize": TEXT * WIDER,
        "labelPadding": 5,
        "gridColor": RULE,
        "gridWidth": 1,
    },
    # The smaller letters stand where the larger ones would have their top and their middle: Vega's shares of the size.
    "axisX": {"labelPadding": 5 - 0.79 * TEXT * (WIDER - 1)},
    "axisY": {"labelOffset": -0.3 * TEXT * (WIDER - 1)},
    "area": {"fill": SERIES[0], "fillOpacity": BAND_OPACITY},
    "rule": {"stroke": INK, "strokeWidth": 1},
}
"""What all specifications in reports/charts share."""

_LETTERS_OF_WIDTH = {
    0.30: "'Iijl",
    0.36: " ,./:;\\f|",
    0.42: "!()-[]rt",
    0.54: '"*J`sz°',
    0.60: "?L_ckvxy–",
    0.64: "$0123456789FTabdeghnopqu{}€£",
    0.70: "ABEKPSVXYZ",
    0.74: "CRU",
    0.79: "&DGHNOQ",
    0.84: "#+<=>^w~−×",
    0.87: "M",
    1.02: "%@Wm…",
}
_WIDTH_OF_LETTER = {letter: width for width, letters in _LETTERS_OF_WIDTH.items() for letter in letters}
_WIDEST = 1.07
"""Of all Latin letters."""
_TO_A_PIXEL = 0.04
"""What a letter may take more where browsers place letters at whole pixels: half a pixel of twelve."""


def width_of(text: str, size: float = TEXT) -> float:
    """How wide a text is at most, in units of its size: the wider of DejaVu and Liberation Sans."""
    return size * sum(_WIDTH_OF_LETTER.get(letter, _WIDEST) + _TO_A_PIXEL for letter in text)


def fitting(text: str, room: float, size: float = TEXT) -> str:
    """As much of a text as fits, with an ellipsis where it is cut."""
    if width_of(text, size) <= room:
        return text
    while text and width_of(text + "…", size) > room:
        text = text[:-1]
    return text.rstrip() + "…"


@cache
def light_colours() -> dict[str, str]:
    """The page's colours on light paper, as values: the first rule of its style sheet. For pictures, which have no style sheet."""
    css = (resource_folder("reports") / "templates" / "page.css").read_text(encoding="utf-8")
    declarations = (each.partition(":") for each in css[css.index("{") + 1 : css.index("}")].split(";"))
    colours = {f"var({name.strip()})": value.strip() for name, _, value in declarations if value}
    return {**colours, INK: colours["var(--ink)"]}
