"""What looking at lines could save, as a curve: drawn here, because one stepped line needs no layout engine."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipelines.reporting.basis.page_tables import Column, Table, count
from pipelines.reporting.charts.charts import Chart, Line

WIDTH, HEIGHT, LEFT, BOTTOM, TOP, RIGHT = 350, 170, 48, 26, 10, 8
STEPS = (1, 2, 3, 5, 10, 20, 50, 100, 200, 500)


@dataclass(frozen=True)
class Looked:
    """What the first so many lines would save, and the best choice of as many."""

    line_count: int
    in_order: float
    best: float


def shown_counts(line_count: int) -> list[int]:
    """Numbers of lines worth naming, the last one being all."""
    return [step for step in STEPS if step < line_count] + [line_count] * (line_count > 0)


def look_curve(title: str, looked: Sequence[Looked], tell: Callable[[float], str]) -> Chart | None:
    """The curve over the number of lines; None where there is nothing to save.

    Args:
        title: what the chart shows, with its unit.
        looked: for 1, 2, ... lines.
        tell: how an amount is written.
    """
    highest = max((each.best for each in looked), default=0.0)
    if highest <= 0:
        return None

    def across(line_count: int) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * line_count / len(looked)

    def up(amount: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * amount / highest

    parts = [Markup('<svg aria-hidden="true" viewBox="0 0 {} {}">').format(WIDTH, HEIGHT)]
    for amount in (0.0, highest / 2, highest):
        parts.append(
            Markup('<path d="M{},{:.1f}H{}" stroke="var(--rule)"/>').format(LEFT, up(amount), WIDTH - RIGHT)
            + _text(LEFT - 6, up(amount) + 4, "end", tell(amount))
        )
    for line_count in sorted({0, round(len(looked) / 2), len(looked)}):
        anchor = "end" if line_count == len(looked) else "middle"
        parts.append(_text(across(line_count), HEIGHT - 8, anchor, count(line_count)))
    names = ("looking in this order", "the best choice of as many")
    lines = (
        Line(names[0], tuple(each.in_order for each in looked), 0),
        Line(names[1], tuple(each.best for each in looked), 1, 1.5),
    )
    differs = any(each.best > each.in_order for each in looked)
    drawn = lines if differs else lines[:1]
    for line in reversed(drawn):
        points = "".join(f"L{across(at):.1f},{up(value or 0.0):.1f}" for at, value in enumerate(line.values, 1))
        parts.append(
            Markup(
                '<path d="M{:.1f},{:.1f}{}" fill="none" stroke="{}" stroke-width="{}" stroke-dasharray="{}"/>'
            ).format(across(0), up(0.0), points, line.colour, line.width, line.dash)
        )
    parts.append(Markup("</svg>"))
    named = [looked[line_count - 1] for line_count in shown_counts(len(looked))]
    figures = Table(
        title,
        (Column("Lines looked at", True), *(Column(line.label.capitalize(), True) for line in drawn)),
        tuple(
            (count(each.line_count), *(tell(value) for value in (each.in_order, each.best)[: len(drawn)]))
            for each in named
        ),
    )
    words = f"{title}. " + "; ".join(f"{count(each.line_count, 'line')}: {tell(each.in_order)}" for each in named) + "."
    return Chart(title=title, svg=Markup("").join(parts), description=words, lines=drawn, figures=figures)


def _text(x: float, y: float, anchor: str, words: str) -> Markup:
    return Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="{}" font-size="12" fill="currentColor">{}</text>').format(
        x, y, anchor, words
    )
