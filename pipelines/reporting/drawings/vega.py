"""Drawings that Vega-Lite lays out, offline: a specification of reports/charts goes in, short SVG comes out."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterable
from functools import cache
from typing import Any
from xml.etree.ElementTree import Element, fromstring

from pipelines.reporting.basis.look import VEGA_CONFIG
from pipelines.reporting.drawings.chart import Line
from pipelines.reporting.drawings.elements import NAMESPACE, shape, svg, written
from pipelines.resources import resource_folder

_KEPT = frozenset({"d", "x2", "y2", "fill", "fill-opacity", "stroke", "stroke-width", "stroke-linecap", "stroke-linejoin", "stroke-dasharray", "text-anchor"})  # fmt: skip
_DEFAULTS = {("stroke-width", "1"), ("stroke-dasharray", "1,0"), ("text-anchor", "start"), ("x2", "0"), ("y2", "0")}
_HELPERS = frozenset({"background", "foreground"})


def specification(name: str) -> dict[str, Any]:
    """A specification that may be changed, with the look that all share."""
    return {**copy.deepcopy(_read(name)), "config": VEGA_CONFIG}


@cache
def _read(name: str) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(
        (resource_folder("reports") / "charts" / f"{name}.vl.json").read_text(encoding="utf-8")
    )
    return loaded


def line_rows(
    place: int, line: Line, at: Iterable[float | str], values: Iterable[float | None]
) -> list[dict[str, Any]]:
    """The rows of data for a line; lines of a higher place lie above those of a lower."""
    look = {
        "series": place,
        "stroke": line.colour,
        "dash": [float(length) for length in line.dash.split()] or [1, 0],
        "width": line.width,
    }
    return [{"at": each, "value": value, **look} for each, value in zip(at, values, strict=True)]


def drawn(spec: dict[str, Any]) -> Element:
    """The drawing of a specification: marks in groups of class mark-line, mark-area and so on, and the text of axes.

    What Vega writes for its own use (roles, empty helper shapes, groups within groups, sizes and fonts of text) is left out.
    """
    import vl_convert

    found = fromstring(vl_convert.vegalite_to_svg(spec))
    _, _, width, height = map(float, found.attrib["viewBox"].split())
    return svg(width, height, [part for child in found for part in _tidied(child)])


def _tidied(element: Element) -> list[Element]:
    tag, classes = element.tag.removeprefix(f"{{{NAMESPACE}}}"), element.get("class", "").split()
    if _HELPERS.intersection(classes) or element.get("opacity") == "0":  # Vega hides labels that would touch others
        return []
    made = shape(tag, element.text or "")
    if tag == "g":
        made.extend([part for child in element for part in _tidied(child)])
        if not len(made):
            return []
        if "role-mark" in classes:
            made.set("class", classes[0])
    for name, value in element.attrib.items():
        if name in _KEPT and (name, value) not in _DEFAULTS:
            made.set(name, _rounded(value) if name == "d" else value)
    if (place := _translation(element)) != (0, 0):
        made.set("transform", f"translate({written(place[0])},{written(place[1])})")
    return list(made) if tag == "g" and not made.attrib else [made]


def _translation(element: Element) -> tuple[float, float]:
    """Vega moves by ``translate(x,y)`` and by nothing else."""
    moved = element.get("transform", "translate(0,0)")
    across, down = moved.removeprefix("translate(").removesuffix(")").split(",")
    return float(across), float(down)


def _rounded(data: str) -> str:
    """The data of a path, its coordinates with one decimal."""
    spaced = "".join(f" {letter} " if letter.isalpha() and letter != "e" else letter for letter in data)
    return "".join(
        word if word.isalpha() else ",".join(written(float(each)) for each in word.split(","))
        for word in spaced.split()
    )
