"""The headline chart as a picture for sharing: title, lines, legend and date in one PNG, drawn from the page's own chart."""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element, fromstring, tostring

from pipelines.reporting.basis.look import INK, PAPER, TEXT, fitting, light_colours
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.elements import NAMESPACE, label, path, shape, written

WIDTH, HEIGHT = 1200, 675
LEFT, CHART_TOP, LEGEND_TOP, LEGEND_ROW, LEGEND_COLUMN = 56, 130, 560, 34, 364
CHART_SIZE = (560, 205)
"""The chart as it is drawn for the picture: wide, with letters of 12 units."""
SCALE = (WIDTH - 2 * LEFT) / CHART_SIZE[0]
"""How much larger the chart, its lines and dashes are than on a page."""
TITLE, SUBTITLE, LEGEND, SOURCE = 38, 22, 20, 18
"""Sizes of its text."""
SANS, SERIF = "Liberation Sans, Arial, sans-serif", "Liberation Serif, Georgia, serif"
"""The fonts that come with the program that draws the picture, so that it looks the same everywhere."""


def write_picture(place: Path, title: str, chart: Chart, source: str) -> Path:
    """Write a PNG of 1200 x 675 in the page's light colours; same chart, same bytes."""
    import vl_convert

    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(vl_convert.svg_to_png(picture_svg(title, chart, source), scale=1))
    return place


def picture_svg(title: str, chart: Chart, source: str) -> str:
    """The picture as SVG, colours as values."""
    root = shape("svg", xmlns=NAMESPACE, viewBox=f"0 0 {WIDTH} {HEIGHT}", width=WIDTH, height=HEIGHT)
    root.append(shape("rect", width=WIDTH, height=HEIGHT, fill=PAPER))
    root.append(_text(LEFT, 66, TITLE, title, SERIF, "700"))
    root.append(_text(LEFT, 104, SUBTITLE, chart.title))
    root.append(_placed(chart))
    for place, line in enumerate(chart.lines):
        x, y = LEFT + place % 3 * LEGEND_COLUMN, LEGEND_TOP + place // 3 * LEGEND_ROW
        root.append(
            path(
                "M", 0, 0, "h", 40 / SCALE,
                transform=f"translate({x},{y}) scale({written(SCALE)})",
                stroke=line.colour, stroke_width=line.width, stroke_dasharray=line.dash,
            )
        )  # fmt: skip
        root.append(_text(x + 50, y + 7, LEGEND, fitting(line.label, LEGEND_COLUMN - 60, LEGEND)))
    root.append(_text(LEFT, HEIGHT - 24, SOURCE, source))
    return tostring(_with_values(root), encoding="unicode")


def _text(x: int, y: int, size: int, words: str, family: str = SANS, weight: str = "") -> Element:
    made = label(x, y, fitting(words, WIDTH - LEFT - x, size))
    for name, value in (("font-size", str(size)), ("font-weight", weight), ("font-family", family), ("fill", INK)):
        if value:
            made.set(name, value)
    return made


def _placed(chart: Chart) -> Element:
    """The page's drawing, larger, with a font of the picture."""
    found = fromstring(chart.svg)
    made = shape("svg", x=LEFT, y=CHART_TOP, width=WIDTH - 2 * LEFT, height=LEGEND_TOP - CHART_TOP - 24)
    for name, value in (("viewBox", found.attrib["viewBox"]), ("fill", INK), ("font-size", str(TEXT)), ("font-family", SANS)):  # fmt: skip
        made.set(name, value)
    made.extend(found)
    for element in made.iter():
        element.tag = element.tag.removeprefix(f"{{{NAMESPACE}}}")
    return made


def _with_values(root: Element) -> Element:
    """Colours as values: what draws the picture knows no style sheet."""
    colours = light_colours()
    for element in root.iter():
        for name in ("fill", "stroke"):
            if (colour := element.get(name)) in colours:
                element.set(name, colours[colour])
    return root
