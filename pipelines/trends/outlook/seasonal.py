"""The season in a monthly series, by classical decomposition, and how strong it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray

LEAST_MONTHS = 36
"""Three years: every month of the year then stands against a centred year twice."""
STRONG = 0.64
"""Strength from which a season counts: that of ``nsdiffs`` in the R package forecast, pkg.robjhyndman.com/forecast."""


@dataclass(frozen=True)
class Season:
    """Deviations from the year's level, in logarithms, by month of the year (January first).

    ``by_month`` adds up to 0; ``low`` and ``high`` are the least and most of any year; ``year_count`` how many years; ``strength``
    1 - var(rest) / var(season + rest), not below 0 (Hyndman and Athanasopoulos, Forecasting: Principles and Practice, section 4.3).
    """

    by_month: FloatArray
    low: FloatArray
    high: FloatArray
    year_count: np.ndarray
    strength: float


def decompose(logs: FloatArray, first_month_of_year: int) -> Season | None:
    """Mean deviation of each month from the centred moving average over 12 months (2 x 12), less their mean.

    Classical additive decomposition, here of logarithms (same book, section 3.4); None with less than ``LEAST_MONTHS``.

    Args:
        logs: one per month without gaps, earliest first.
        first_month_of_year: 1 for January, of the first value.
    """
    count = len(logs)
    if count < LEAST_MONTHS:
        return None
    # Loading it takes a second, and most commands decompose nothing.
    from statsmodels.tsa.seasonal import seasonal_decompose

    parts = seasonal_decompose(logs, model="additive", period=12)
    months = (first_month_of_year - 1 + np.arange(count)) % 12
    by_month = np.array([parts.seasonal[months == month][0] for month in range(12)])
    # Half a year at each end has no centred year. Each month's rest has the same mean, which the pattern leaves out to add up to 0.
    rest, months = parts.resid[6:-6], months[6:-6]
    rest = rest - rest.mean()
    own = [rest[months == month] for month in range(12)]
    total = float(np.var(rest + by_month[months]))
    return Season(
        by_month,
        by_month + [values.min() for values in own],
        by_month + [values.max() for values in own],
        np.array([len(values) for values in own]),
        0.0 if total < 1e-20 else max(0.0, 1 - float(np.var(rest)) / total),
    )
