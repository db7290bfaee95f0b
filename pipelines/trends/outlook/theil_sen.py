"""The trend of a series as the median slope between all pairs of its points, with an interval.

One odd month, such as a vendor's restock, moves it little. It needs no assumption about how values scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray


@dataclass(frozen=True)
class Trend:
    """Slopes per unit of time with the ends of their interval, one per series."""

    slope: FloatArray
    low: FloatArray
    high: FloatArray


def theil_sen(times: FloatArray, values: FloatArray, level: float = 0.90) -> Trend:
    """Theil-Sen slope and its interval from Kendall's S (Sen 1968), many series at once.

    Of N slopes in order the interval goes from the one ranked (N - C) / 2 to the one ranked (N + C) / 2 + 1, between ranks by
    straight line; C = z sqrt(n (n - 1) (2 n + 5) / 18). scipy.stats.theilslopes differs in two points, and a test compares both: it
    takes the nearest rank, the first or last where there is none, and it corrects the variance for ties. Without that
    correction the interval is wider. Months that depend on each other make it too narrow.

    Args:
        times: when, one per row, ascending.
        values: one row per time, one column per series; no gaps.
        level: confidence of the interval.

    Raises:
        ValueError: fewer than two times.
    """
    count = len(times)
    if count < 2:
        raise ValueError("a trend needs two points")
    first, second = np.triu_indices(count, 1)
    slopes = np.sort((values[second] - values[first]) / (times[second] - times[first])[:, None], axis=0)
    number = len(slopes)
    spread = NormalDist().inv_cdf((1 + level) / 2) * np.sqrt(count * (count - 1) * (2 * count + 5) / 18)
    return Trend(
        np.median(slopes, axis=0), _ranked(slopes, (number - spread) / 2), _ranked(slopes, (number + spread) / 2 + 1)
    )


def _ranked(ordered: FloatArray, rank: float) -> FloatArray:
    """The values of a rank (from 1), between ranks by straight line; beyond the first and last there is no limit."""
    if rank < 1:
        return np.full(ordered.shape[1], -np.inf)
    if rank > len(ordered):
        return np.full(ordered.shape[1], np.inf)
    below = int(np.floor(rank))
    part = rank - below
    above = min(below, len(ordered) - 1)
    found: FloatArray = ordered[below - 1] * (1 - part) + ordered[above] * part
    return found
