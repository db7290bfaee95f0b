"""A forecast of an index from its own past alone, and trials that show how good such forecasts were.

The method is Theta (Assimakopoulos and Nikolopoulos 2000): simple exponential smoothing with half the slope of the straight
line through all points as drift (Hyndman and Billah 2003). It is the plainest method that did well in the M3 competition
(Makridakis and Hibon 2000). Smoothing and its constant are those of statsmodels. Its ThetaModel gives the same forecasts, which a
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
LEVEL = 0.80
LEAST_HISTORY = 12
"""Months before a first forecast is tried."""
LEAST_ORIGINS = 9
"""Past months from which forecasts must have been tried (common practice, no source)."""
WORTHWHILE = 0.95
"""The error must be below this part of that of "same as last month"; one hardly smaller is luck (no source)."""

Method = Literal["theta", "theta-seasonal"]


@dataclass(frozen=True)
class Trial:
    """How forecasts from past months did.

    ``errors`` has one row per origin and one column per month ahead: absolute errors in logarithms, NaN where the month is not
    over yet. ``naive_errors`` has the same for "same as last month".
    """

    errors: FloatArray
    naive_errors: FloatArray

    @property
    def origin_count(self) -> int:
        """Past months from which forecasts were tried."""
        return len(self.errors)

    @property
    def error(self) -> float:
        """Mean over all origins and horizons, NaN without any."""
        return _mean(self.errors)

    @property
    def naive_error(self) -> float:
        """The same of "same as last month"."""
        return _mean(self.naive_errors)

    @property
    def beats_naive(self) -> bool:
        """Whether the forecasts were clearly closer than "same as last month", over enough trials."""
        return self.origin_count >= LEAST_ORIGINS and self.error < WORTHWHILE * self.naive_error

    def half_widths(self) -> FloatArray:
        """Half the width of the interval for each month ahead, in logarithms: the error that ``LEVEL`` of the trials stayed below.

        Split conformal prediction (Lei and others 2018): of n errors in order the one ranked (n + 1) LEVEL, rounded up, and the largest
        if there are too few. So it is the real size of past errors, whatever their reason, and needs no model of errors.
        """
        widths = []
        for column in self.errors.T:
            known = np.sort(column[np.isfinite(column)])
            widths.append(known[min(int(np.ceil((len(known) + 1) * LEVEL)), len(known)) - 1])
        return np.array(widths)


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


def rolling_origin(levels: FloatArray, first_month_of_year: int) -> Trial:
    """Trials of forecasts from every past month with ``LEAST_HISTORY`` months up to it, made with what was known then.

    The smoothing constant is estimated once a year of origins, because estimating is most of the work and the constant moves
    slowly. The forecast that is shown has a fresh one.

    Every horizon of every origin counts once, for the method and for "same as last month" alike (Tashman 2000; Hyndman and
    Athanasopoulos, Forecasting: Principles and Practice, section 5.10).
    """
    origins = range(LEAST_HISTORY, len(levels))
    errors, naive = (np.full((len(origins), HORIZON), np.nan) for _ in range(2))
    smoothing = None
    for row, origin in enumerate(origins):
        actual = np.log(levels[origin : origin + HORIZON])
        made = forecast(levels[:origin], first_month_of_year, smoothing if row % 12 else None)
        smoothing = made.smoothing
        errors[row, : len(actual)] = np.abs(actual - np.log(made.levels[: len(actual)]))
        naive[row, : len(actual)] = np.abs(actual - np.log(levels[origin - 1]))
    return Trial(errors, naive)


def _mean(errors: FloatArray) -> float:
    known = errors[np.isfinite(errors)]
    return float(known.mean()) if known.size else float("nan")


def _theta(logs: FloatArray, smoothing: float | None) -> tuple[FloatArray, float]:
    """Forecasts of ``HORIZON`` steps, and the smoothing constant.

    With smoothed level l, smoothing constant a, slope b of the least-squares line and n points, the forecast h steps ahead is
    l + b/2 (h - 1 + (1 - (1 - a)^n) / a), the formula that statsmodels documents for ThetaModel; the fraction is written as the sum
    that it is, so that a may be 0. Smoothing begins at the first point, and an estimated a makes its one-step errors least squares.
    """
    # Loading it takes a second, and most commands forecast nothing.
    from statsmodels.tsa.holtwinters import SimpleExpSmoothing

    model = SimpleExpSmoothing(logs, initialization_method="known", initial_level=logs[0])
    with np.errstate(divide="ignore"):  # the logarithm of the errors of a series that never moved
        smoothed = model.fit(smoothing_level=smoothing, optimized=smoothing is None)
    smoothing = float(smoothed.params["smoothing_level"])
    lag = np.sum((1 - smoothing) ** np.arange(len(logs)))
    slope = np.polyfit(np.arange(len(logs)), logs, 1)[0]
    ahead: FloatArray = smoothed.level[-1] + slope / 2 * (np.arange(HORIZON) + lag)
    return ahead, smoothing
