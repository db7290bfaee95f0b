"""Which assumption matters most: bars to both sides, the widest on top, with the same in words and figures."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from markupsafe import Markup

from pipelines.reporting.basis.page_tables import NOTHING, Table, columns
from pipelines.reporting.charts.charts import Chart
from pipelines.resources import resource_folder

DOWN_FILL, UP_FILL = "var(--series-1)", "var(--series-2)"


@dataclass(frozen=True)
class Bar:
    """One assumption: what each side changes (None where it was not tried), and to what in words."""

    label: str
    down: float | None
    up: float | None
    down_words: str = ""
    up_words: str = ""

    @property
    def width(self) -> float:
        """How far it can move the cost."""
        values = [0.0, *(value for value in (self.down, self.up) if value is not None)]
        return max(values) - min(values)


def tornado(title: str, bars: Sequence[Bar], tell: Callable[[float], str]) -> Chart | None:
    """Draw bars, the widest on top; None when nothing moves the cost.

    Args:
        title: what the chart shows, with its unit.
        bars: the assumptions.
        tell: how a value is written, in the table and in words.
    """
    drawn = sorted((bar for bar in bars if bar.width), key=lambda bar: (-bar.width, bar.label))
    if not drawn:
        return None
    rows = tuple(
        (bar.label, _message(bar.down, bar.down_words, tell), _message(bar.up, bar.up_words, tell)) for bar in drawn
    )
    widest = drawn[0]
    words = "; ".join(
        reported
        for reported in (_message(widest.down, widest.down_words, tell), _message(widest.up, widest.up_words, tell))
        if reported
    )
    description = f"{title}. The widest bar is {widest.label}: {words}."
    table = Table(title, columns("What is changed", "One way", "Other way"), rows, is_stacked=True)
    return Chart(title, Markup(_draw(tuple(drawn))), description, (), table)  # noqa: S704 - drawn by ourselves


def _message(value: float | None, words: str, tell: Callable[[float], str]) -> str:
    return NOTHING if value is None else f"{tell(value)} ({words})" if words else tell(value)


@cache
def _specification() -> dict[str, Any]:
    text = (resource_folder("reports") / "charts" / "tornado.vl.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


@cache
def _draw(bars: tuple[Bar, ...]) -> str:
    """The SVG, without sizes: the page's CSS sizes it."""
    import vl_convert

    spec = copy.deepcopy(_specification())
    spec["data"]["values"] = [
        {"label": bar.label, "value": value, "fill": DOWN_FILL if value < 0 else UP_FILL}
        for bar in bars
        for value in (bar.down or 0.0, bar.up or 0.0)
    ]
    svg = vl_convert.vegalite_to_svg(spec)
    svg = re.sub(r'<path class="(?:back|fore)ground"[^>]*/>', "", svg)  # empty helper shapes
    return re.sub(r'<svg([^>]*?) width="\d+" height="\d+"', r'<svg aria-hidden="true"\1', svg)
