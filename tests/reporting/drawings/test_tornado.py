"""Bars to both sides: their order, their lengths, and the same in words."""

import pytest

from pipelines.reporting.drawings.tornado import TwoSidedBar, tornado
from tests.present import present
from tests.reporting.drawings.drawing_parts import marks, parts, texts

BARS = [
    TwoSidedBar("Tax", -1.0, 1.5, "lower", "higher"),
    TwoSidedBar("Shipping", -4.0, 2.0, "cheaper", "dearer"),
    TwoSidedBar("Nothing", 0.0, None),
]


def as_text(value: float) -> str:
    return f"{value:+.2f}"


def test_the_widest_bar_is_on_top_and_said_in_words() -> None:
    chart = tornado("Cost of one change, EUR", BARS, as_text)
    assert list(present(chart).figures.rows) == [
        ("Shipping", "-4.00 (cheaper)", "+2.00 (dearer)"), ("Tax", "-1.00 (lower)", "+1.50 (higher)"),
    ]  # fmt: skip
    assert (
        present(chart).description
        == "Cost of one change, EUR. The widest bar is Shipping: -4.00 (cheaper); +2.00 (dearer)."
    )
    assert {"Shipping", "Tax"} < set(texts(chart)) and "Nothing" not in texts(chart)


def test_bars_are_as_long_as_their_values_and_have_the_colour_of_their_side() -> None:
    chart = tornado("Cost of one change, EUR", BARS, as_text)
    (group,) = [group for group in parts(chart, "g") if group.get("class") == "mark-rect"]
    found: dict[str, list[tuple[float, float]]] = {}
    for path in group:
        start, right = present(path.get("d")).removeprefix("M").split("h")[:2]
        height = float(start.split(",")[1])
        found.setdefault(present(path.get("fill")), []).append((height, float(right.split("v")[0])))
    assert set(found) == {"var(--series-1)", "var(--series-2)"}
    (down, up) = (sorted(found[f"var(--series-{number})"]) for number in (1, 2))
    unit = down[0][1] / 4
    assert [length / unit for _, length in down + up] == pytest.approx([4, 1, 2, 1.5], abs=0.02)
    assert down[0][0] == up[0][0] < down[1][0] == up[1][0], "a row for each assumption, the widest on top"


def test_a_rule_stands_at_no_change() -> None:
    chart = tornado("Cost of one change, EUR", BARS, as_text)
    (rule,) = marks(chart, "rule")
    (ticks,) = [group for group in parts(chart, "g") if any(text.text == "0" for text in group)]
    (zero,) = [
        present(text.get("transform")).removeprefix("translate(").split(",")[0] for text in ticks if text.text == "0"
    ]
    assert present(rule.get("transform")).startswith(f"translate({zero},")
    assert abs(float(present(rule.get("y2")))) == 2 * 24, "as high as both rows"


def test_without_any_change_there_is_no_chart() -> None:
    assert tornado("Cost of one change, EUR", BARS[2:], str) is None
