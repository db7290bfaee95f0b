"""Columns of frames as arrays, and the array types that the whole planner uses."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import polars as pl
from numpy.typing import NDArray

MICRO = 1_000_000
"""Prices, weights and sizes are whole numbers of millionths, so that sums are exact."""
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def ranks(series: pl.Series) -> Ints:
    """The place of each text among the different ones in order, from 0."""
    return series.rank("dense").cast(pl.Int64).to_numpy() - 1


def ints(series: pl.Series) -> Ints:
    """A column of whole numbers as an array."""
    return series.cast(pl.Int64).to_numpy()


def in_micro(series: pl.Series) -> Ints:
    """A DECIMAL(18,6) column in millionths."""
    return series.to_physical().cast(pl.Int64).to_numpy()


def in_micro_ceiling(value: Fraction) -> int:
    """A value in millionths, rounded up."""
    return -int(-value * MICRO // 1)
