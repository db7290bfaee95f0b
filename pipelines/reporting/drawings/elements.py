"""SVG as elements: made, and written as text for a page. Nothing is put together from strings, so all text is escaped."""

from __future__ import annotations

from collections.abc import Iterable
from xml.etree.ElementTree import Element, tostring

from markupsafe import Markup

from pipelines.reporting.basis.look import INK, TEXT

NAMESPACE = "http://www.w3.org/2000/svg"


def written(value: float) -> str:
    """A coordinate with one decimal at most; less than a tenth of a unit is not seen."""
    shortened = f"{value:.1f}".removesuffix(".0")
    return "0" if shortened == "-0" else shortened


def shape(tag: str, text: str = "", **attributes: str | float) -> Element:
    """An element such as ``shape("rect", x=1, stroke_width=2)``; underscores become hyphens, empty attributes are left out."""
    made = Element(tag)
    for name, value in attributes.items():
        reported = value if isinstance(value, str) else written(value)
        if reported:
            made.set(name.replace("_", "-"), reported)
    made.text = text or None
    return made


def label(x: float, y: float, text: str, anchor: str = "") -> Element:
    """Text whose base line is at ``y``; ``anchor`` is middle or end, or nothing for its start."""
    return shape("text", text, x=x, y=y, text_anchor=anchor)


def path(*steps: str | float, **attributes: str | float) -> Element:
    """A path of commands and coordinates: ``path("M", 0, 0, "H", 10)``."""
    data = " ".join(step if isinstance(step, str) else written(step) for step in steps)
    return shape("path", "", d=data, **attributes)


def svg(width: float, height: float, parts: Iterable[Element]) -> Element:
    """The root of a drawing, without sizes: the page's style sheet sizes it."""
    root = shape("svg", xmlns=NAMESPACE, viewBox=f"0 0 {written(width)} {written(height)}", fill=INK, font_size=TEXT)
    root.extend(parts)
    return root


def markup(root: Element, description: str) -> Markup:
    """A drawing as part of a page: one picture, which a screen reader reads by its description."""
    root.set("role", "img")
    root.set("aria-label", description)
    return Markup(tostring(root, encoding="unicode"))  # noqa: S704 - serialised elements, so all text is escaped
