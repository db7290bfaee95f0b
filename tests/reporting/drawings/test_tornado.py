"""Bars to both sides: their order, their lengths, the ranges over them, and the same in words."""

from decimal import Decimal

import pytest

from pipelines.money import Interval
from pipelines.reporting.basis.look import INK
from pipelines.reporting.drawings.tornado import Change, TwoSidedBar, tornado
from tests.present import present
from tests.reporting.drawings.drawing_parts import parts, texts


def change(amount: str, low: str, high: str, words: str = "") -> Change:
    return Change(Decimal(amount), Interval(Decimal(low), Decimal(high)), words or f"{amount} in {low} to {high}")


BARS = [
    TwoSidedBar("Tax", change("-1", "-1.5", "-0.5"), change("1.5", "-0.5", "2")),
    TwoSidedBar("Shipping", change("-4", "-5", "-3.5", "cheaper"), change("2", "2", "2", "dearer")),
    TwoSidedBar("Nothing", change("0", "0", "0"), None),
]


def test_the_widest_bar_is_on_top_and_said_in_words() -> None:
    chart = tornado("Cost of one change, EUR", BARS)
    assert list(present(chart).figures.rows) == [
        ("Shipping", "cheaper", "dearer"), ("Tax", "-1 in -1.5 to -0.5", "1.5 in -0.5 to 2"),
    ]  # fmt: skip
    assert present(chart).description.endswith("On top is Shipping: cheaper; dearer.")
    assert {"Shipping", "Tax"} < set(texts(chart)) and "Nothing" not in texts(chart)


def drawn_bars() -> list[tuple[str, str, float, float]]:
    """Fill, outline, height and length of each bar."""
    chart = tornado("Cost of one change, EUR", BARS)
    (group,) = [group for group in parts(chart, "g") if group.get("class") == "mark-rect"]
    found = []
    for path in group:
        start, right = present(path.get("d")).removeprefix("M").split("h")[:2]
        look = (path.get("fill") or "", present(path.get("stroke")))
        found.append((*look, float(start.split(",")[1]), float(right.split("v")[0])))
    return sorted(found, key=lambda bar: (bar[2], -bar[3]))


def test_bars_are_as_long_as_their_values_and_hollow_without_a_direction() -> None:
    found = drawn_bars()
    unit = found[0][3] / 4
    assert [length / unit for *_, length in found] == pytest.approx([4, 2, 1.5, 1], abs=0.02)
    assert found[0][2] == found[1][2] < found[2][2] == found[3][2], "a row for each assumption, the widest on top"
    down, up = "var(--series-1)", "var(--series-2)"
    assert [bar[:2] for bar in found] == [(down, down), (up, up), ("none", INK), (down, down)]


def test_a_thin_line_over_each_bar_is_its_range() -> None:
    chart = tornado("Cost of one change, EUR", BARS)
    groups = [group for group in parts(chart, "g") if group.get("class") == "mark-rule"]
    lengths = [abs(float(each.get("x2") or 0)) for group in groups for each in group]
    across = sorted(length for length in lengths if length)
    assert len(across) == 3, "what is known exactly has none"
    assert [length / across[0] for length in across] == pytest.approx([1, 1.5, 2.5], abs=0.02)


def test_a_rule_stands_at_no_change() -> None:
    chart = tornado("Cost of one change, EUR", BARS)
    (rule,) = [
        each
        for group in parts(chart, "g")
        if group.get("class") == "mark-rule"
        for each in group
        if float(each.get("y2") or 0)
    ]
    (ticks,) = [group for group in parts(chart, "g") if any(text.text == "0" for text in group)]
    (zero,) = [
        present(text.get("transform")).removeprefix("translate(").split(",")[0] for text in ticks if text.text == "0"
    ]
    assert present(rule.get("transform")).startswith(f"translate({zero},")
    assert abs(float(present(rule.get("y2")))) == 2 * 24, "as high as both rows"


def test_without_any_change_there_is_no_chart() -> None:
    assert tornado("Cost of one change, EUR", BARS[2:]) is None


@pytest.mark.parametrize(
    ("low", "high", "size"),
    [("-3", "-1", ("1", "3")), ("2", "4", ("2", "4")), ("-3", "1", ("0", "3")), ("0", "2", ("0", "2"))],
)
def test_how_far_a_change_moves_the_cost(low: str, high: str, size: tuple[str, str]) -> None:
    assert change(low, low, high).size == Interval(Decimal(size[0]), Decimal(size[1]))
