"""Small multiples: the same small drawing for each model, all on one scale, so that they can be compared at a glance."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipelines.reporting.basis.look import RULE, SERIES
from pipelines.reporting.basis.page_tables import NOTHING
from pipelines.reporting.drawings.elements import markup, path, svg

WIDE, HIGH, EDGE = 160, 56, 4
DOT = 5
"""The width of the line's last point, which is drawn as a dot."""


@dataclass(frozen=True)
class Multiple:
    """One model: its values, a gap is None, and where its name leads."""

    label: str
    href: str
    values: tuple[float | None, ...]


@dataclass(frozen=True)
class SmallDrawing:
    """A drawing with its name, and its last value in words."""

    label: str
    href: str
    svg: Markup
    last: str


def small_multiples(
    multiples: Sequence[Multiple], level: float, as_text: Callable[[float], str], what: str
) -> tuple[list[SmallDrawing], str]:
    """A drawing for each model that has two values, all from the same lowest to the same highest value, and that scale in words.

    Args:
        multiples: each with a value for each step of time.
        level: where a thin rule lies, such as 100.
        as_text: how a value is written.
        what: what the values are, for those who listen.
    """
    shown = [each for each in multiples if len(_known(each)) > 1]
    if not shown:
        return [], ""
    reached = [level, *(value for each in shown for _, value in _known(each))]
    low, high = min(reached), max(reached)
    made = [
        SmallDrawing(each.label, each.href, _drawing(each, low, high, level, as_text, what), _last(each, as_text))
        for each in shown
    ]
    return made, f"{as_text(low)} to {as_text(high)}"


def _known(each: Multiple) -> list[tuple[int, float]]:
    return [(at, value) for at, value in enumerate(each.values) if value is not None]


def _last(each: Multiple, as_text: Callable[[float], str]) -> str:
    return NOTHING if each.values[-1] is None else as_text(each.values[-1])


def _drawing(
    each: Multiple, low: float, high: float, level: float, as_text: Callable[[float], str], what: str
) -> Markup:
    def across(at: int) -> float:
        return EDGE + (WIDE - 2 * EDGE) * at / max(len(each.values) - 1, 1)

    def down(value: float) -> float:
        return HIGH - EDGE - (HIGH - 2 * EDGE) * (value - low) / ((high - low) or 1.0)

    known = _known(each)
    steps = [
        step
        for stretch in _stretches(each.values)
        for number, (at, value) in enumerate(stretch)
        for step in ("L" if number else "M", across(at), down(value))
    ]
    (_, first), (end, last) = known[0], known[-1]
    words = (
        f"{each.label}: {what} from {as_text(first)} to {as_text(last)}, lowest {as_text(min(v for _, v in known))}."
    )
    return markup(
        svg(
            WIDE,
            HIGH,
            [
                path("M", 0, down(level), "H", WIDE, stroke=RULE),
                path(*steps, fill="none", stroke=SERIES[0], stroke_width=2, stroke_linejoin="round"),
                path("M", across(end), down(last), "h.1", stroke=SERIES[0], stroke_width=DOT, stroke_linecap="round"),
            ],
        ),
        words,
    )


def _stretches(values: Sequence[float | None]) -> Iterator[list[tuple[int, float]]]:
    """Values without a gap between them."""
    stretch: list[tuple[int, float]] = []
    for at, value in enumerate(values):
        if value is not None:
            stretch.append((at, value))
        elif stretch:
            yield stretch
            stretch = []
    if stretch:
        yield stretch
