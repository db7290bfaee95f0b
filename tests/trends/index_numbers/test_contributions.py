"""What each item adds to a change of an index: worked examples, and sums that give the change."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.trends.index_numbers.contributions import (
    fisher_contributions,
    geometric_contributions,
    laspeyres_contributions,
    lowe_contributions,
    tornqvist_contributions,
)
from pipelines.trends.index_numbers.panel import Pair

# Months 1 and 2 of items A, B, C, E of the example in test_bilateral; expected values by a separate program.
PAIR = Pair(
    np.array([10.0, 4.0, 25.0, 1.5]), np.array([10.5, 4.2, 24.0, 1.5]),
    np.array([20.0, 50.0, 8.0, 100.0]), np.array([18.0, 48.0, 9.0, 100.0]),
)  # fmt: skip


@pytest.mark.parametrize(
    ("contributions", "expected", "total"),
    [
        (laspeyres_contributions, [0.013333, 0.013333, -0.010667, 0], 0.016),
        (tornqvist_contributions, [0.012689, 0.013098, -0.011349, 0], 0.014438),
        (fisher_contributions, [0.012690, 0.013092, -0.011358, 0], 0.014424),
    ],
)
def test_two_months(contributions: Callable[..., Any], expected: list[Any], total: float) -> None:
    assert contributions(PAIR) == pytest.approx(expected, abs=5.1e-7)
    assert contributions(PAIR).sum() == pytest.approx(total, abs=5.1e-7)


def test_lowe_from_the_base_month_is_laspeyres() -> None:
    found = lowe_contributions(PAIR.price_base, PAIR.price, PAIR.quantity_base)
    assert found == pytest.approx(laspeyres_contributions(PAIR), rel=1e-12, abs=1e-15)


@given(st.lists(st.tuples(st.floats(0.01, 100), st.floats(0.01, 100), st.integers(1, 1000)), min_size=1, max_size=300))
def test_lowe_contributions_add_up_to_the_change(rows: list[tuple[float, float, int]]) -> None:
    before, price, basket = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
    index = (price * basket).sum() / (before * basket).sum()
    assert lowe_contributions(before, price, basket).sum() == pytest.approx(index - 1, abs=1e-12 * max(1, index))


def test_prices_that_stand_still_contribute_nothing() -> None:
    still = geometric_contributions(np.array([1.0, 1.0 + 1e-12, 1.2]), np.array([0.3, 0.3, 0.4]))
    assert still[:2] == pytest.approx([0, 0], abs=1e-12)
    assert still.sum() == pytest.approx(1.2**0.4 - 1, abs=1e-12)


@given(st.floats(-1e-5, 1e-5))
def test_nearly_equal_relatives_lose_no_digits(log_change: float) -> None:
    relatives = np.exp(np.array([log_change, -log_change]))
    weights = np.array([0.5, 0.5])
    assert geometric_contributions(relatives, weights).sum() == pytest.approx(0, abs=1e-15)
