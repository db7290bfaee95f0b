"""The season in a monthly series: classical decomposition, and whether there is any season to speak of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.trends.index_numbers import FloatArray

LEAST_MONTHS = 36
"""Three years: every month of the year then stands against a centred year twice."""
STRONG = 0.64
"""Strength from which a season is taken for one (the rule of thumb of the R package forecast; from memory)."""


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
    weights = np.full(13, 1 / 12)
    weights[[0, -1]] /= 2
    trend = np.convolve(logs, weights, mode="valid")
    deviations = logs[6 : count - 6] - trend
    months = (first_month_of_year - 1 + np.arange(6, count - 6)) % 12
    own = [deviations[months == month] for month in range(12)]
    means = np.array([values.mean() for values in own])
    shift = means.mean()
    rest = deviations - (means - shift)[months]
    total = float(np.var(deviations))
    strength = 0.0 if total < 1e-20 else max(0.0, 1 - float(np.var(rest)) / total)
    return Season(
        means - shift,
        np.array([values.min() for values in own]) - shift,
        np.array([values.max() for values in own]) - shift,
        np.array([len(values) for values in own]),
        strength,
    )
