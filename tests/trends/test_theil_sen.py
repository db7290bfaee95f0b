"""Theil-Sen: a published example, invariances, and how often the interval holds the truth."""

import numpy as np
import pytest

from pipelines.trends.theil_sen import theil_sen
from tests.builders.length import examples


def test_a_published_example() -> None:
    """Ratios of rainfall over five years (Hollander and Wolfe 1999, example 9.1; from memory): slope -0.056."""
    trend = theil_sen(np.arange(1.0, 6.0), np.array([[1.26], [1.27], [1.12], [1.16], [1.03]]))
    assert trend.slope[0] == pytest.approx(-0.05625)


def test_a_straight_line_is_found_exactly_and_one_wild_month_moves_it_little() -> None:
    times = np.array([0.0, 1.1, 2.0, 2.9, 4.0, 5.2, 6.0, 7.0])
    line = 3 - 0.25 * times
    wild = line.copy()
    wild[4] += 100
    trend = theil_sen(times, np.column_stack([line, wild]))
    assert trend.slope == pytest.approx([-0.25, -0.25], abs=1e-12)
    assert trend.low[0] == pytest.approx(-0.25) == trend.high[0]


def test_the_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    chance = np.random.default_rng(7)
    times = np.arange(13.0)
    values = 0.3 * times[:, None] + chance.standard_t(3, size=(13, examples(4000, 40000)))
    trend = theil_sen(times, values, level=0.90)
    held = float(((trend.low <= 0.3) & (trend.high >= 0.3)).mean())
    assert 0.885 <= held <= 0.945
    assert (trend.low <= trend.slope).all() and (trend.slope <= trend.high).all()


def test_the_interval_has_no_end_where_there_are_too_few_points() -> None:
    trend = theil_sen(np.arange(3.0), np.array([[1.0], [2.0], [4.0]]))
    assert trend.low[0] == -np.inf and trend.high[0] == np.inf
    with pytest.raises(ValueError, match="two points"):
        theil_sen(np.array([1.0]), np.array([[1.0]]))
