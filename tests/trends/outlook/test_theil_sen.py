"""Theil-Sen: scipy's, invariances, and how often the interval covers the truth."""

from statistics import NormalDist

import numpy as np
import pytest
from scipy import stats

from pipelines.trends.outlook.theil_sen import theil_sen
from tests.builders.length import examples


def test_it_is_scipys_slope_and_interval_where_ranks_are_whole() -> None:
    """At the levels at which a rank is whole nothing is to be rounded or drawn between; random series have no ties."""
    chance, compared = np.random.default_rng(20261129), 0
    for count in range(4, 26):
        times = np.sort(chance.uniform(0, 24, count))
        values = chance.normal(0, 1, (count, 4)) + chance.normal(0, 0.2) * times[:, None]
        number, spread = count * (count - 1) // 2, np.sqrt(count * (count - 1) * (2 * count + 5) / 18)
        for rank in range(2, number // 2):
            level = 2 * NormalDist().cdf((number - 2 * rank) / spread) - 1
            if not 0.5 < level < 0.999999:  # scipy takes a level below a half for one above it
                continue
            compared += 1
            trend = theil_sen(times, values, level)
            for column in range(4):
                slope, _, low, high = stats.theilslopes(values[:, column], times, level)
                assert trend.slope[column] == pytest.approx(slope, rel=1e-12)
                assert (trend.low[column], trend.high[column]) == pytest.approx((low, high), rel=1e-7)
    assert compared > 500


def test_between_ranks_it_is_less_than_a_rank_from_scipys() -> None:
    chance = np.random.default_rng(20261130)
    for count in range(8, 26):
        times = np.arange(float(count))
        values = chance.normal(0, 1, count)
        slopes = np.sort([(values[j] - values[i]) / (j - i) for i in range(count) for j in range(i + 1, count)])
        trend = theil_sen(times, values[:, None])
        _, _, low, high = stats.theilslopes(values, times, 0.90)
        for ours, scipys in ((trend.low[0], low), (trend.high[0], high)):
            at = int(np.argmin(np.abs(slopes - scipys)))
            assert slopes[max(at - 1, 0)] < ours < slopes[min(at + 1, len(slopes) - 1)]


def test_a_straight_line_is_found_exactly_and_one_wild_month_moves_it_little() -> None:
    times = np.array([0.0, 1.1, 2.0, 2.9, 4.0, 5.2, 6.0, 7.0])
    line = 3 - 0.25 * times
    wild = line.copy()
    wild[4] += 100
    trend = theil_sen(times, np.column_stack([line, wild]))
    assert trend.slope == pytest.approx([-0.25, -0.25], abs=1e-12)
    assert trend.low[0] == pytest.approx(-0.25) == trend.high[0]


def test_the_interval_covers_the_truth_about_as_often_as_it_states() -> None:
    chance = np.random.default_rng(7)
    times = np.arange(13.0)
    values = 0.3 * times[:, None] + chance.standard_t(3, size=(13, examples(4000, 40000)))
    trend = theil_sen(times, values, level=0.90)
    covered = float(((trend.low <= 0.3) & (trend.high >= 0.3)).mean())
    assert 0.885 <= covered <= 0.945
    assert (trend.low <= trend.slope).all() and (trend.slope <= trend.high).all()


def test_the_interval_has_no_end_where_there_are_too_few_points() -> None:
    trend = theil_sen(np.arange(3.0), np.array([[1.0], [2.0], [4.0]]))
    assert trend.low[0] == -np.inf and trend.high[0] == np.inf
    with pytest.raises(ValueError, match="two points"):
        theil_sen(np.array([1.0]), np.array([[1.0]]))
