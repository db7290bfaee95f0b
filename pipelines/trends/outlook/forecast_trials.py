"""Trials of forecasts from past months: against three benchmarks, and how often months lay inside their intervals.

A forecast is earned if it was closer than *every* benchmark by more than luck. Naive forecasts are right for a series that
nobody can forecast. The drift is right where the mean change goes on, the seasonal naive where last year repeats. Each alone
is easy to beat by chance on a series that another one fits (Hyndman and Athanasopoulos, Forecasting: Principles and Practice,
sections 5.2 and 5.10; Tashman 2000 on rolling origins).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray
from pipelines.trends.outlook.accuracy_test import chance_of_mean
from pipelines.trends.outlook.forecast import HORIZON, forecast
from pipelines.trends.outlook.seasonal import LEAST_MONTHS

LEVEL = 0.80
"""Of the intervals."""
SIGNIFICANCE = 0.05
LEAST_HISTORY = 12
"""Months before a first forecast is tried: the seasonal naive needs a year."""
LEAST_ORIGINS = 24
"""Past months from which forecasts must have been tried, with all ``HORIZON`` months known since (common practice, no source)."""
LEAST_MONTHS_TO_TEST = LEAST_HISTORY + LEAST_ORIGINS + HORIZON - 1
LEAST_ERRORS = 4
"""From so many errors on one of them is the interval of ``LEVEL``: ceil((n + 1) LEVEL) is then at most n."""

BENCHMARKS = ("naive", "drift", "seasonal_naive")
"""Same as last month; the mean change of all months goes on; same as in that month last year."""


@dataclass(frozen=True)
class Trial:
    """How forecasts from past months did, one row per origin and one column per month ahead, NaN where it is not over yet.

    ``errors`` are absolute errors in logarithms, and ``of_benchmarks`` has the same by benchmark.
    """

    errors: FloatArray
    of_benchmarks: Mapping[str, FloatArray]

    @property
    def origin_count(self) -> int:
        """Past months from which forecasts were tried and all months ahead are known."""
        return int(self._is_whole.sum())

    @property
    def is_long_enough(self) -> bool:
        """Whether there are enough origins for a test."""
        return self.origin_count >= LEAST_ORIGINS

    @property
    def error(self) -> float:
        """Mean over all such origins and months ahead, NaN without any."""
        return _mean(self.errors[self._is_whole])

    def benchmark_error(self, name: str) -> float:
        """The same of a benchmark."""
        return _mean(self.of_benchmarks[name][self._is_whole])

    @property
    def p_value(self) -> float:
        """The largest of the p-values against the benchmarks, because the forecast must beat each; 1 with too few origins.

        An intersection-union test (Berger 1982): it needs no correction for the number of benchmarks. The loss of an origin is the
        mean of its absolute errors 1 to ``HORIZON`` months ahead. So there is one test a benchmark, about all that is shown, and none
        of the horizons can win alone.
        """
        if not self.is_long_enough:
            return 1.0
        losses = self.errors[self._is_whole].mean(axis=1)
        theirs = [of_one[self._is_whole].mean(axis=1) for of_one in self.of_benchmarks.values()]
        return max(chance_of_mean(loss - losses, HORIZON)[1] for loss in theirs)

    @property
    def coverage(self) -> float:
        """Share of months that lay inside the intervals made from earlier origins' errors alone; NaN without any."""
        return _mean(self._inside)

    @property
    def is_coverage_too_low(self) -> bool:
        """Whether fewer months than ``LEVEL`` lay inside, by more than luck; or nothing is known of it."""
        inside = self._inside[np.isfinite(self._inside).all(axis=1)].mean(axis=1)
        return len(inside) <= HORIZON or chance_of_mean(LEVEL - inside, HORIZON)[1] <= SIGNIFICANCE

    def half_widths(self) -> FloatArray:
        """Half the width of the interval for each month ahead, in logarithms: the error that ``LEVEL`` of the trials stayed below.

        Split conformal prediction (Lei and others 2018): of n errors in order the one ranked (n + 1) LEVEL, rounded up, and the largest
        if there are too few. So it is the real size of past errors, whatever their reason, and needs no model of errors.
        """
        return np.array([_width(column[np.isfinite(column)]) for column in self.errors.T])

    @property
    def _is_whole(self) -> np.ndarray:
        return np.asarray(np.isfinite(self.errors).all(axis=1))

    @property
    def _inside(self) -> FloatArray:
        """1 where a month lay inside the interval made at its origin, 0 where not, NaN where no interval could be made.

        At an origin the error h months ahead of another one is known if that is at least h months earlier.
        """
        inside = np.full_like(self.errors, np.nan)
        for (row, step), error in np.ndenumerate(self.errors):
            known = self.errors[: max(0, row - step), step]
            if len(known) >= LEAST_ERRORS and np.isfinite(error):
                inside[row, step] = error <= _width(known)
        return inside


def rolling_origin(levels: FloatArray, first_month_of_year: int) -> Trial:
    """Trials from past months, each with what was known then.

    Origins begin where a season can be seen (three years), as in the forecast that would be shown; earlier, but not before
    ``LEAST_HISTORY`` months, if there would be fewer than ``LEAST_ORIGINS``. That depends on the length of the series alone.

    The smoothing constant is estimated once a year of origins, because estimating is most of the work and the constant moves
    slowly. The forecast that is shown has a fresh one.

    Args:
        levels: monthly without gaps, above 0, earliest first.
        first_month_of_year: 1 for January, of the first level.
    """
    logs = np.log(levels)
    first = max(LEAST_HISTORY, min(LEAST_MONTHS, len(levels) - LEAST_ORIGINS - HORIZON + 1))
    origins = range(first, len(levels))
    errors = {name: np.full((len(origins), HORIZON), np.nan) for name in ("forecast", *BENCHMARKS)}
    smoothing = None
    for row, origin in enumerate(origins):
        actual = logs[origin : origin + HORIZON]
        made = forecast(levels[:origin], first_month_of_year, smoothing if row % 12 else None)
        smoothing = made.smoothing
        for name, ahead in {"forecast": np.log(made.levels), **benchmarks(logs[:origin])}.items():
            errors[name][row, : len(actual)] = np.abs(actual - ahead[: len(actual)])
    return Trial(errors.pop("forecast"), errors)


def benchmarks(logs: FloatArray) -> dict[str, FloatArray]:
    """The forecasts of ``BENCHMARKS`` for the next ``HORIZON`` months, all in logarithms, from at least a year."""
    drift = (logs[-1] - logs[0]) / (len(logs) - 1)
    ahead = (np.full(HORIZON, logs[-1]), logs[-1] + drift * np.arange(1, HORIZON + 1), logs[-12 : HORIZON - 12])
    return dict(zip(BENCHMARKS, ahead, strict=True))


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _width(errors: FloatArray) -> float:
    ordered = np.sort(errors)
    return float(ordered[min(int(np.ceil((len(ordered) + 1) * LEVEL)), len(ordered)) - 1])
