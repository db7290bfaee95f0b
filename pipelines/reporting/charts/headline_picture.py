"""The headline chart as a picture for sharing: title, lines, legend and date in one PNG, drawn from the page's own chart."""

from __future__ import annotations

import re
from pathlib import Path

from markupsafe import Markup

from pipelines.reporting.charts.charts import Chart
from pipelines.resources import resource_folder

WIDTH, HEIGHT = 1200, 675
LEFT, CHART_TOP, LEGEND_TOP, LEGEND_ROW = 56, 130, 560, 34
CHART_SIZE = (560, 205)
"""The chart as it is drawn for the picture: wide, with letters of 12 units."""
LONGEST_LABEL = 30
"""Letters of a label that fit in a third of the width."""


def write_picture(path: Path, title: str, chart: Chart, source: str) -> Path:
    """Write a PNG of 1200 x 675 in the page's light colours; same chart, same bytes."""
    import vl_convert

    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(vl_convert.svg_to_png(picture_svg(title, chart, source), scale=1))
    return path


def picture_svg(title: str, chart: Chart, source: str) -> str:
    """The picture as SVG, colours as values."""
    view = re.search(r'viewBox="([^"]*)"', chart.svg)
    inner = re.sub(r"^<svg[^>]*>|</svg>$", "", str(chart.svg).strip())
    parts = [
        Markup('<rect width="{}" height="{}" fill="var(--paper)"/>').format(WIDTH, HEIGHT),
        _text(LEFT, 66, 38, title, "Liberation Serif, Georgia, serif", bold=True),
        _text(LEFT, 104, 22, chart.title, "Liberation Sans, Arial, sans-serif"),
        Markup('<svg x="{}" y="{}" width="{}" height="{}" viewBox="{}">').format(
            LEFT, CHART_TOP, WIDTH - 2 * LEFT, LEGEND_TOP - CHART_TOP - 24, view[1] if view else "0 0 350 170"
        ),
        Markup(inner),  # our own drawing
        Markup("</svg>"),
    ]
    for place, line in enumerate(chart.lines):
        x, y = LEFT + place % 3 * 364, LEGEND_TOP + place // 3 * LEGEND_ROW
        label = line.label if len(line.label) <= LONGEST_LABEL else line.label[: LONGEST_LABEL - 1].rstrip() + "…"
        parts.append(
            Markup('<path d="M{},{}h40" stroke="{}" stroke-width="4" stroke-dasharray="{}"/>').format(
                x, y, line.colour, line.dash or "none"
            )
        )
        parts.append(_text(x + 50, y + 7, 20, label, "Liberation Sans, Arial, sans-serif"))
    parts.append(_text(LEFT, HEIGHT - 24, 18, source, "Liberation Sans, Arial, sans-serif"))
    whole = Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" width="{0}" height="{1}">{2}</svg>'
    ).format(WIDTH, HEIGHT, Markup("").join(parts))
    colours = _light_colours()
    coloured = re.sub(r"var\((--[\w-]+)\)", lambda found: colours[found[1]], str(whole))
    return coloured.replace("currentColor", colours["--ink"])


def _text(x: int, y: int, size: int, words: str, family: str, *, bold: bool = False) -> Markup:
    weight = "700" if bold else "400"
    return Markup(
        '<text x="{}" y="{}" font-size="{}" font-weight="{}" font-family="{}" fill="var(--ink)">{}</text>'
    ).format(x, y, size, weight, family, words)


def _light_colours() -> dict[str, str]:
    """The colours of the page's style sheet for paper that is light."""
    css = (resource_folder("reports") / "templates" / "page.css").read_text(encoding="utf-8")
    light = css[: css.index("}")]
    return dict(re.findall(r"(--[\w-]+): (#[0-9a-fA-F]+)", light))
