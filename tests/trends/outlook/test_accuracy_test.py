"""The Diebold-Mariano test by hand and against a regression, and Holm's correction."""

from math import atan, pi, sqrt
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from pipelines.trends.outlook.accuracy_test import chance_of_mean, holm, long_run_variance


def test_by_hand() -> None:
    """Differences 1, 3, 2, 4, two steps ahead. Mean 2.5; autocovariances 1.25 and -0.4375, so the long-run variance is 0.375.

    2.5 / sqrt(0.375 / 4) = 8.165; the correction is sqrt((5 - 4 + 2 / 4) / 4) = sqrt(0.375); together exactly 5. Student's t with the
    parameter 3 has a closed form.
    """
    statistic, chance = chance_of_mean(np.array([1.0, 3.0, 2.0, 4.0]), 2)
    assert statistic == pytest.approx(5, rel=1e-12)
    ratio = 5 / sqrt(3)
    assert chance == pytest.approx(0.5 - (ratio / (1 + ratio**2) + atan(ratio)) / pi, rel=1e-9)


def test_where_full_weights_give_no_variance_the_weights_fall() -> None:
    """1, 3, 1, 3, 1, 3: autocovariances 1 and -5/6. Full weights give -2/3; with half the weight the variance is 1/6."""
    differences = np.array([1.0, 3.0] * 3)
    assert long_run_variance(differences, np.ones(1)) == pytest.approx(-2 / 3)
    expected = sqrt((7 - 4 + 2 / 6) / 6) * 2 / sqrt(1 / 6 / 6)
    assert chance_of_mean(differences, 2)[0] == pytest.approx(expected)


@pytest.mark.parametrize(("kernel", "horizon"), [("uniform", 1), ("uniform", 3), ("bartlett", 3), ("bartlett", 6)])
def test_the_variance_is_that_of_a_regression_on_a_constant(kernel: str, horizon: int) -> None:
    """Statsmodels' robust covariance with as many lags, before the correction for small samples."""
    values = np.convolve(np.random.default_rng(5).normal(0.2, 1, 40), [1, 0.7, 0.4], mode="valid")
    fitted: Any = sm.OLS(values, np.ones(len(values))).fit(
        cov_type="HAC", cov_kwds={"maxlags": horizon - 1, "kernel": kernel, "use_correction": False}
    )
    steps = np.arange(1, horizon)
    weights = np.ones(len(steps)) if kernel == "uniform" else 1 - steps / horizon
    variance = long_run_variance(values, weights)
    assert np.mean(values) / np.sqrt(variance / len(values)) == pytest.approx(fitted.tvalues[0], rel=1e-10)
    if kernel == "uniform":
        count = len(values)
        correction = sqrt((count + 1 - 2 * horizon + horizon * (horizon - 1) / count) / count)
        assert chance_of_mean(values, horizon)[0] == pytest.approx(correction * fitted.tvalues[0], rel=1e-10)


def test_differences_that_never_vary_need_no_luck() -> None:
    assert chance_of_mean(np.full(9, 0.5), 3) == (np.inf, 0)
    assert chance_of_mean(np.full(9, -0.5), 3) == (-np.inf, 1)
    assert chance_of_mean(np.full(9, 1e-15), 3) == (0, 1)
    with pytest.raises(ValueError, match="too few"):
        chance_of_mean(np.ones(3), 3)


def test_the_other_sign_has_the_other_chance() -> None:
    values = np.random.default_rng(2).normal(0.1, 1, 30)
    assert chance_of_mean(values, 3)[1] + chance_of_mean(-values, 3)[1] == pytest.approx(1)


def test_holm_by_hand() -> None:
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm([]) == [] and holm([0.2]) == [0.2] and holm([0.9, 0.8]) == [1, 1]


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_holm_is_the_librarys(p_values: list[float]) -> None:
    assert holm(p_values) == pytest.approx(list(multipletests(p_values, method="holm")[1]), abs=1e-12)
