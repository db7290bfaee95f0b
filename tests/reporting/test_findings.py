"""Sentences from ranges: they hold wherever every figure lies in its range."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.money import Interval
from pipelines.reporting.basis.findings import (
    Found,
    lowest_since,
    most,
    moved,
    saved,
    saving_in_words,
)

UP, DOWN, SAME, OPEN = (
    Interval(Decimal(low), Decimal(high)) for low, high in (("0.10", "2"), ("-2", "-0.10"), ("0", "0"), ("-1", "1"))
)


def found(name: str, low: str, amount: str, high: str) -> Found:
    return Found(name, Decimal(amount), Interval(Decimal(low), Decimal(high)))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([], ""),
        ([None], ""),
        ([UP], "Since May the model became dearer."),
        ([SAME], "Since May the model costs the same."),
        ([OPEN], "Since May no clear change in what the model costs."),
        ([OPEN, OPEN, None], "Since May no clear change in what the models cost."),
        ([UP, UP, None], "Since May all 2 models became dearer."),
        ([SAME, SAME], "Since May all 2 models cost the same."),
        ([UP, DOWN], "Since May, of 2 models 1 became dearer and 1 became cheaper."),
        (
            [UP, UP, DOWN, SAME, OPEN],
            "Since May, of 5 models 2 became dearer, 1 became cheaper, 1 cost the same and 1 without a clear change.",
        ),
    ],
)
def test_how_costs_moved(changes: list[Interval | None], words: str) -> None:
    assert moved(changes, "model", "models", "May") == words


def test_the_largest_is_named_only_where_it_surely_is() -> None:
    tram, boat, tug = found("Tram", "36", "38", "40"), found("Boat", "0", "0.70", "1"), found("Tug", "9", "10", "36.01")
    assert most([tram, boat]) is tram
    assert most([tram, tug]) is None
    assert most([tram]) is None
    assert saved([tram, boat], "EUR", "Mix") == (
        "Mix: saves on 1 of 2 models, most on Tram, 38.00 EUR (between 36.00 and 40.00)."
    )
    assert saved([tram, tug, boat], "EUR", "Mix") == "Mix: saves on 2 of 3 models."
    assert saved([boat], "EUR", "Mix") == "Mix: no clear saving on any model."
    assert saved([tram, tug], "EUR", "Mix") == "Mix: saves on all 2 models."
    assert saved([tug], "EUR", "Mix") == "Mix: saves on Tug."
    assert saved([], "EUR", "Mix") == ""


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (found("a", "9.74", "10.39", "10.78"), "saves 10.39 EUR, 10.4 % (between 9.74 and 10.78)"),
        (found("a", "-3", "-2", "-1"), "costs 2.00 EUR more (between 1.00 and 3.00)"),
        (found("a", "-1", "0.5", "1"), "saves nothing clearly (between \u22121.00 and 1.00)"),
        (found("a", "0", "0", "0"), "costs the same"),
        (found("a", "1.001", "1.002", "1.003"), "saves 1.00 EUR, 1.0 %"),
    ],
)
def test_a_saving_in_words(one: Found, words: str) -> None:
    assert saving_in_words(Decimal(100), one, "EUR") == words


@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(0, 30)), min_size=2, max_size=6), st.randoms())
def test_the_one_named_stays_the_largest_wherever_all_lie(ranges: list[tuple[int, int]], random: object) -> None:
    each = [
        Found(str(n), Decimal(low), Interval(Decimal(low), Decimal(low + width)))
        for n, (low, width) in enumerate(ranges)
    ]
    named = most(each)
    drawn = [Decimal(random.randint(low, low + width)) for low, width in ranges]  # type: ignore[attr-defined]
    if named is not None:
        assert all(drawn[int(named.name)] > amount for n, amount in enumerate(drawn) if n != int(named.name))


def span(low: str, high: str) -> Interval:
    return Interval(Decimal(low), Decimal(high))


@pytest.mark.parametrize(
    ("earlier", "words"),
    [
        ([], ""),
        ([span("11", "12")], ""),  # one is no run
        ([span("11", "12"), span("13", "14")], "the lowest of 3"),
        ([span("9", "9.9"), span("11", "12"), span("13", "14")], "the lowest since t0"),
        ([span("9", "10.1"), span("11", "12"), span("13", "14")], "the lowest since t0"),  # t0 may be as low
        ([span("11", "12"), span("10", "14")], ""),  # as low as the highest value now: not surely higher
        ([span("11", "12"), span("10.01", "14"), None], ""),
        ([None, span("11", "12"), span("10.01", "14")], "the lowest since t0"),
        ([span("1", "2"), span("1", "8.99")], "the highest of 3"),
        ([span("20", "21"), span("1", "2"), span("1", "8.99")], "the highest since t0"),
        ([span("1", "2"), span("1", "9")], ""),
    ],
)
def test_a_superlative_over_time(earlier: list[Interval | None], words: str) -> None:
    dated = [(f"t{number}", cost) for number, cost in enumerate(earlier)]
    assert lowest_since(dated, span("9", "10")) == words


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 9)), min_size=2, max_size=8), st.randoms())
def test_a_superlative_holds_wherever_all_lie(ranges: list[tuple[int, int]], random: object) -> None:
    costs = [Interval(Decimal(low), Decimal(low + width)) for low, width in ranges]
    drawn = [random.randint(low, low + width) for low, width in ranges]  # type: ignore[attr-defined]
    words = lowest_since([(f"t{n}", cost) for n, cost in enumerate(costs[:-1])], costs[-1])
    if words:
        since = int(words.rpartition("t")[2]) + 1 if "since" in words else 0
        run = drawn[since:-1]
        assert len(run) >= 2
        assert all(drawn[-1] < each for each in run) if "lowest" in words else all(drawn[-1] > each for each in run)
