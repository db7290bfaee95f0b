"""Intervals: what is stated of them holds for every value in between, and is stated wherever it does."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.money import Interval, cost_interval, exactly, lowest

AMOUNTS = st.decimals(min_value=-20, max_value=20, places=1)
INTERVALS = st.tuples(AMOUNTS, AMOUNTS).map(lambda ends: Interval(min(ends), max(ends)))


def ends(interval: Interval) -> tuple[Decimal, Decimal]:
    """Its two ends: what holds for both holds in between, as differences are monotonic."""
    return interval.low, interval.high


@given(one=INTERVALS, other=INTERVALS)
def test_a_difference_and_a_sum_hold_all_their_values_and_no_more(one: Interval, other: Interval) -> None:
    differences = [a - b for a in ends(one) for b in ends(other)]
    sums = [a + b for a in ends(one) for b in ends(other)]
    assert ends(one - other) == (min(differences), max(differences))
    assert ends(one + other) == (min(sums), max(sums))
    assert ends(-one) == (-max(ends(one)), -min(ends(one)))
    assert one.width == max(ends(one)) - min(ends(one))


@given(one=INTERVALS)
def test_a_direction_is_stated_where_all_values_share_it(one: Interval) -> None:
    signs = {(value > 0) - (value < 0) for value in (*ends(one), (one.low + one.high) / 2)}
    assert one.direction == (signs.pop() if len(signs) == 1 else None)


@given(several=st.lists(INTERVALS, min_size=1, max_size=4))
def test_the_lowest_is_below_all_values_of_the_others(several: list[Interval]) -> None:
    proven = [
        number
        for number, own in enumerate(several)
        if all(max(ends(own)) < min(ends(other)) for at, other in enumerate(several) if at != number)
    ]
    assert lowest(several) == (proven[0] if proven else None)


def test_a_cost_lies_between_its_bound_and_what_the_plan_costs() -> None:
    plan = {"landed_cost": Decimal("58.45"), "lower_bound": Decimal("57.90"), "unfilled_estimate": Decimal("1.20")}
    assert cost_interval(plan) == Interval(Decimal("59.10"), Decimal("59.65"))
    proven = plan | {"lower_bound": Decimal("58.45")}
    assert cost_interval(proven) == exactly(Decimal("59.65"))


def test_ends_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(ValueError, match="2 to 1 is no interval"):
        Interval(Decimal(2), Decimal(1))
