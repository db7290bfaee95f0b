"""The main points of a month hold for every value within their intervals, and stand in the order of their size."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.money import Interval
from pipelines.reporting.month.main_points import (
    FEWEST,
    MOST,
    CauseMove,
    CostMove,
    PriceMove,
    Shortage,
    causes_together,
    costs_together,
    largest_cost,
    main_points,
    missing,
    prices_apart,
    prices_together,
    running_out,
)

MONTH = "2026-10"


def between(low: object, high: object) -> Interval:
    return Interval(Decimal(str(low)), Decimal(str(high)))


def price(title: str, low: object, high: object | None = None) -> PriceMove:
    return PriceMove(title, between(low, low if high is None else high))


def cost(title: str, before: tuple[object, object], now: tuple[object, object]) -> CostMove:
    return CostMove(title, between(*before), between(*now), Decimal(str(now[1])) - Decimal(str(before[1])))


def words(points: Any) -> list[str]:
    return [point.words for point in points]


@pytest.mark.parametrize(
    ("moves", "sentence"),
    [
        ([], None),
        ([price("Crane", 1.2, 1.4)], "Prices rose 1.2 to 1.4 % in October 2026."),
        ([price("Crane", -2)], "Prices fell 2.0 % in October 2026."),
        ([price("A", 1), price("B", 2), price("C", 3)], "Prices rose for all 3 models in October 2026, by 2.0 % (median)."),
        ([price("A", 1), price("B", 2), price("C", -9)], "Prices rose for 2 of 3 models in October 2026, by 1.0 % (median)."),
        ([price("A", -0.1, 0.4)], "Prices in October 2026: no clear change."),
        ([price("A", 0.04)], "Prices in October 2026: no clear change."),
        ([price("A", 1), price("B", -1)], "Prices in October 2026: no clear change; they rose for 1 and fell for 1 of 2 models."),
    ],
)  # fmt: skip
def test_prices_of_all_models(moves: list[PriceMove], sentence: str | None) -> None:
    assert words(prices_together(moves, MONTH)) == ([sentence] if sentence else [])


def test_who_moved_furthest_is_named_only_where_it_is_known() -> None:
    assert words(prices_apart([price("A", 3, 3.2), price("B", 1, 2.9)])) == ["Prices rose most for A: 3.0 to 3.2 %."]
    assert words(prices_apart([price("A", 3, 3.2), price("B", 1, 3.1), price("C", 1)])) == [
        "Prices rose most for A and B: 1.0 to 3.2 %."
    ]
    assert prices_apart([price("A", 3, 3.2), price("B", 1, 3.1)]) == [], "of two, both"
    assert prices_apart([price("A", 3)]) == [] and prices_apart([price("A", 3), price("B", -1)]) == []
    assert prices_apart([price(name, 3) for name in "ABCD"] + [price("E", 1)]) == [], "too many to name"
    assert words(prices_apart([price("A", -3), price("B", -1)])) == ["Prices fell most for A: 3.0 %."]


@given(st.lists(st.tuples(st.integers(-30, 30), st.integers(0, 9), st.integers(0, 9)), min_size=2, max_size=6))
def test_no_price_outside_the_named_group_can_have_moved_further(raw: list[tuple[int, int, int]]) -> None:
    """Wherever the prices lie within their intervals, the furthest mover is one of those named."""
    moves = [price(f"M{n}", low, low + wide) for n, (low, wide, _) in enumerate(raw)]
    actual = {move.title: move.between.low + min(raw[n][2], raw[n][1]) for n, move in enumerate(moves)}
    for point in prices_apart(moves):
        names = point.words.split(" for ")[1].split(":")[0].replace(" and ", ", ").split(", ")
        sign = 1 if "rose" in point.words else -1
        furthest = max(sign * value for value in actual.values())
        assert any(sign * actual[name] == furthest for name in names)


def test_costs_are_counted_where_their_change_is_clear() -> None:
    dearer, cheaper = cost("A", (9, 10), (11, 12)), cost("B", (9, 10), (8, 8.5))
    unclear = cost("C", (9, 10), (9.5, 10))
    assert words(costs_together([dearer, cheaper, unclear])) == [
        "1 model costs more and 1 model costs less than a month before; for 1 no change is clear."
    ]
    assert words(costs_together([dearer, dearer])) == ["Both models cost more than a month before."]
    assert words(costs_together([unclear])) == ["Complete cost: no clear change for any of 1 model."]
    assert costs_together([]) == []


def test_the_largest_change_in_cost_surpasses_all_others_surely() -> None:
    first, other = cost("A", (99, 100), (110, 111)), cost("B", (100, 100), (102, 103))
    assert words(largest_cost([first, other], "EUR")) == [
        "The cost of A rose most, by 10.0 to 12.1 %: 11.00 EUR (between 10.00 and 12.00)."
    ]
    assert largest_cost([first, cost("B", (100, 100), (102, 110))], "EUR") == [], "B may have risen by 10 %, too"
    assert largest_cost([first], "EUR") == [], "alone it is not the most of several"
    assert largest_cost([cost("A", (0, 0), (1, 1)), other], "EUR") == []
    assert words(largest_cost([cost("A", (100, 100), (90, 90)), other], "EUR")) == [
        "The cost of A fell most, by 10.0 %: 10.00 EUR."
    ]


def test_a_cause_is_named_only_if_no_other_may_be_larger() -> None:
    prices = CauseMove("Prices", between(9, 10), Decimal(100))
    assert words(causes_together([prices, CauseMove("Terms", between(-2, 3), Decimal(100))], "EUR")) == [
        "Prices moved costs most: added 9.00 to 10.00 EUR over all models."
    ]
    assert causes_together([prices, CauseMove("Terms", between(-9, 3), Decimal(100))], "EUR") == []
    assert causes_together([CauseMove("Terms", between(-2, 3), Decimal(100))], "EUR") == []
    assert "took off 4.00 EUR" in words(causes_together([CauseMove("Terms", between(-4, -4), Decimal(9))], "EUR"))[0]


def test_what_is_missing_and_what_may_run_out() -> None:
    short = [Shortage("A", 0, 100), Shortage("B", 4, 100, 2, 50)]
    assert words(missing(short)) == ["B can't be bought whole: it lacks 4 pieces."]
    assert words(running_out(short, 6)) == ["2 elements of B may run out within 6 months."]
    many = [Shortage(name, 1, 10, 1, 10) for name in "ABCD"]
    assert words(missing(many)) == ["4 of 4 models can't be bought whole: they lack 4 pieces."]
    assert words(running_out(many, 1)) == ["4 elements of 4 models may run out within 1 month."]
    assert missing([Shortage("A", 0, 100)]) == [] and running_out([Shortage("A", 0, 100)], 6) == []


def test_points_stand_in_order_of_size_and_what_is_not_clear_comes_last() -> None:
    points = main_points(
        [price("A", 1), price("B", 5)], [cost("A", (9, 10), (9.5, 10))], [], [Shortage("B", 30, 100)], MONTH, "EUR", 6
    )
    assert points[0].startswith("B can't be bought whole") and points[1].startswith("Prices rose most for B")
    assert points[-1].startswith("Prices rose for both") and len(points) == FEWEST
    assert main_points([], [], [], [], MONTH, "EUR", 6) == []


def test_there_are_never_more_than_five() -> None:
    points = main_points(
        [price("A", 1), price("B", 5), price("C", -5), price("D", -3)],
        [cost("A", (10, 10), (20, 20)), cost("B", (10, 10), (11, 11))],
        [CauseMove("Prices", between(9, 10), Decimal(100))],
        [Shortage("B", 30, 100, 4, 10)],
        MONTH,
        "EUR",
        6,
    )
    assert len(points) == MOST and len(set(points)) == MOST
