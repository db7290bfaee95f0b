"""Whether one forecast is more accurate than another, or luck: the Diebold-Mariano test, and Holm's correction for many."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray

NO_DIFFERENCE = 1e-12
"""Losses in logarithms that differ by less are equal: the last bits of a sum are no accuracy."""


def chance_of_mean(differences: FloatArray, horizon: int) -> tuple[float, float]:
    """The statistic of a mean above 0, and the chance of one as large where the true mean is 0.

    Diebold and Mariano 1995 divide the mean by the root of its long-run variance. Forecasts ``horizon`` steps ahead overlap,
    so autocovariances up to horizon - 1 count, all with full weight (rectangular kernel). Where these make the variance no
    more than 0, they count with falling weights (Bartlett kernel, Newey and West 1987), which cannot. Harvey, Leybourne and
    Newbold 1997 shrink the statistic for small samples, sqrt((n + 1 - 2h + h(h - 1)/n) / n), and compare it with Student's t
    with the parameter n - 1.

    Args:
        differences: one per origin, in order: loss of the benchmark less loss of the forecast, for example.
        horizon: the most steps ahead that a difference is about.

    Returns:
        Statistic and one-sided p-value; 0 and 1 where all differences are 0.

    Raises:
        ValueError: there are not more differences than steps.
    """
    count = len(differences)
    if count <= horizon:
        raise ValueError(f"{count} differences are too few for {horizon} steps ahead")
    mean = float(np.mean(differences))
    if abs(mean) < NO_DIFFERENCE:
        return 0.0, 1.0
    variance = long_run_variance(differences, np.ones(horizon - 1))
    if variance <= NO_DIFFERENCE**2:
        variance = long_run_variance(differences, 1 - np.arange(1, horizon) / horizon)
    if variance <= NO_DIFFERENCE**2:
        return (np.inf, 0.0) if mean > 0 else (-np.inf, 1.0)
    # Loading it takes a part of a second, and most commands test nothing.
    from scipy.stats import t

    correction = (count + 1 - 2 * horizon + horizon * (horizon - 1) / count) / count
    statistic = float(np.sqrt(correction) * mean / np.sqrt(variance / count))
    return statistic, float(t.sf(statistic, count - 1))


def long_run_variance(values: FloatArray, weights: FloatArray) -> float:
    """Variance plus twice the weighted autocovariances at lags 1, 2, ..., each a sum divided by the number of values."""
    apart = values - np.mean(values)
    lags = [float(apart[lag:] @ apart[:-lag]) for lag in range(1, len(weights) + 1)]
    return (float(apart @ apart) + 2 * float(weights @ np.array(lags))) / len(values)


def holm(p_values: Sequence[float]) -> list[float]:
    """P-values corrected for how many there are, in the same order: one at most 5 % stands at 5 % for all of them together.

    Holm 1979, step-down; it holds however the tests depend on each other.
    """
    found, largest = [1.0] * len(p_values), 0.0
    for rank, at in enumerate(sorted(range(len(p_values)), key=lambda n: p_values[n])):
        largest = max(largest, min(1.0, (len(p_values) - rank) * p_values[at]))
        found[at] = largest
    return found
