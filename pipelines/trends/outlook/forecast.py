"""A forecast of an index from its own past alone; forecast_trials shows how good such forecasts were.

The method is Theta (Assimakopoulos and Nikolopoulos 2000): simple exponential smoothing with half the slope of the straight
line through all points as drift (Hyndman and Billah 2003). It is the plainest method that did well in the M3 competition
(Makridakis and Hibon 2000). The smoothing constant is that of statsmodels. Its ThetaModel gives the same forecasts, which a
test checks, but takes some twenty times as long, because it smooths by a Kalman filter. Everything works on logarithms, so
changes are relative.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray
from pipelines.trends.outlook.seasonal import STRONG, decompose

HORIZON = 3
"""Months ahead."""

Method = Literal["theta", "theta-seasonal"]


@dataclass(frozen=True)
class Forecast:
    """Levels of the ``HORIZON`` months to come, the method that was used and its smoothing constant."""

    method: Method
    levels: FloatArray
    smoothing: float


def forecast(levels: FloatArray, first_month_of_year: int, smoothing: float | None = None) -> Forecast:
    """The next ``HORIZON`` months of a monthly series without gaps.

    A season is taken out first and put back where three years show a strong one
    (:func:`~pipelines.trends.outlook.seasonal.decompose`).

    Args:
        levels: above 0, at least three, earliest first.
        first_month_of_year: 1 for January, of the first level.
        smoothing: the smoothing constant, 0 to 1; estimated from the levels if not given.
    """
    logs = np.log(levels)
    season = decompose(logs, first_month_of_year)
    is_seasonal = season is not None and season.strength >= STRONG
    pattern = season.by_month if season is not None and is_seasonal else np.zeros(12)
    months = (first_month_of_year - 1 + np.arange(len(logs) + HORIZON)) % 12
    ahead, smoothing = _theta(logs - pattern[months[: len(logs)]], smoothing)
    ahead = ahead + pattern[months[len(logs) :]]
    return Forecast("theta-seasonal" if is_seasonal else "theta", np.exp(ahead), smoothing)


def _theta(logs: FloatArray, smoothing: float | None) -> tuple[FloatArray, float]:
    """Forecasts of ``HORIZON`` steps, and the smoothing constant.

    With smoothed level l, smoothing constant a, slope b of the least-squares line and n points, the forecast h steps ahead is
    l + b/2 (h - 1 + (1 - (1 - a)^n) / a), the formula that statsmodels documents for ThetaModel; the fraction is written as the sum
    that it is, so that a may be 0. Smoothing begins at the first point, and an estimated a makes its one-step errors least squares.
    """
    if smoothing is None:
        smoothing = _best_smoothing(logs)
    weights = (1 - smoothing) ** np.arange(len(logs))[::-1]
    level = weights[0] * logs[0] + smoothing * float(weights[1:] @ logs[1:])
    slope = np.polyfit(np.arange(len(logs)), logs, 1)[0]
    ahead: FloatArray = level + slope / 2 * (np.arange(HORIZON) + np.sum(weights))
    return ahead, smoothing


def _best_smoothing(logs: FloatArray) -> float:
    # Loading it takes a second, and most commands forecast nothing.
    from statsmodels.tsa.holtwinters import SimpleExpSmoothing

    model = SimpleExpSmoothing(logs, initialization_method="known", initial_level=logs[0])
    with np.errstate(divide="ignore"):  # the logarithm of the errors of a series that never moved
        return float(model.fit(optimized=True).params["smoothing_level"])
