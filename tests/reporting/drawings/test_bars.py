"""Bars and spreads: on one scale, described in words, harmless whatever a group is called."""

from typing import Any

import pytest

from pipelines.reporting.drawings.bars import Bar, bar_chart
from pipelines.reporting.drawings.spreads import Spread, spread_chart
from tests.present import present
from tests.reporting.drawings.drawing_parts import numbers, parts, texts


def as_text(value: float) -> str:
    return f"{value:+.1f}"


def rects(chart: Any) -> list[tuple[float, ...]]:
    return [numbers(rect, "x", "width") for rect in parts(chart, "rect")]


def test_bars_start_at_zero_and_are_as_long_as_their_values() -> None:
    chart = bar_chart(
        "Adds, points", [Bar("a", 4.0), Bar("b", -2.0), Bar("imputed", 1.0, True)], as_text, "not observed"
    )
    (a_left, a_width), (b_left, b_width), (c_left, c_width) = rects(chart)
    assert a_left == pytest.approx(b_left + b_width, abs=0.2) == c_left
    assert a_width == pytest.approx(2 * b_width, abs=0.3) == pytest.approx(4 * c_width, abs=0.6)
    assert present(chart).description == "Adds, points. a +4.0; b -2.0; imputed +1.0."
    assert [label for label, _ in present(chart).areas] == ["adds", "takes away", "not observed"]
    assert present(chart).figures.rows == (("a", "+4.0"), ("b", "-2.0"), ("imputed", "+1.0"))
    hollow = [rect.get("fill") for rect in parts(chart, "rect") if rect.get("stroke-dasharray")]
    assert hollow == ["var(--paper)"], "what was not observed is hollow"


def test_a_spread_has_its_box_between_the_quartiles_and_its_mark_at_the_median() -> None:
    chart = spread_chart(
        "Moved, %", "Over", [Spread("1 month", (-2, -1, 0, 3, 8)), Spread("1 year", (0, 1, 2, 3, 4))], as_text
    )
    (left, width), (second_left, second_width) = rects(chart)
    unit = width / 4
    assert second_width == pytest.approx(2 * unit, abs=0.2)
    assert second_left == pytest.approx(left + 2 * unit, abs=0.2)
    medians = [present(path.get("d")).split() for path in parts(chart, "path") if path.get("stroke-width") == "3"]
    marks = [float(x) for _, x, _, _, _ in medians]
    assert marks == pytest.approx([left + unit, left + 3 * unit], abs=0.2)
    assert "1 month: half of the elements between -1.0 and +3.0, median +0.0" in present(chart).description
    assert present(chart).figures.rows[0] == ("1 month", "-2.0", "-1.0", "+0.0", "+3.0", "+8.0")


def test_names_are_escaped_cut_in_the_drawing_and_whole_in_the_table() -> None:
    name = '<b onload="x">& an endless family of parts'
    chart = bar_chart("Adds", [Bar(name, 1.0)], as_text, "")
    assert "<b" not in present(chart).svg and not parts(chart, "b")
    (shown,) = [text for text in texts(chart) if text and text.endswith("…")]
    assert len(shown) > 12 and name.startswith(shown[:-1])
    assert present(chart).figures.rows[0][0] == name and name in present(chart).description


def test_nothing_to_draw_is_no_chart_and_equal_values_do_not_divide_by_zero() -> None:
    assert bar_chart("Adds", [], as_text, "") is None and spread_chart("Moved", "Over", [], as_text) is None
    assert "nan" not in present(bar_chart("Adds", [Bar("a", 0.0), Bar("b", 0.0)], as_text, "")).svg
    assert "nan" not in present(spread_chart("Moved", "Over", [Spread("a", (0, 0, 0, 0, 0))], as_text)).svg
