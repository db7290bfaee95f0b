"""Outlier screens against the worked example of another implementation."""

from typing import Any

import polars as pl
import pytest

from pipelines.trends.prices.screens import quartile_limits, quartile_outliers, symmetric_distance

# R package gpindex, tests/Examples/gpindex-Ex.Rout.save: logarithms of ten price relatives (rounded there to 7 decimals).
LOG_RELATIVES = [
    -1.2070657, 0.2774292, 1.0844412, -2.3456977, 0.4291247, 0.5060559, -0.5747400, -0.5466319, -0.5644520, -0.8900378,
]  # fmt: skip
# The same file: the quartile method with cut-off 2.5 flags the third and fourth.
FLAGGED = [3, 4]
# The same file: distances from the median that treat rises and falls alike.
DISTANCES = [
    -0.918538151, 1.300051411, 4.154877789, -4.990623335, 1.676813038, 1.890871823, -0.019423964, 0.008909836, -0.008989935,
    -0.397291327,
]  # fmt: skip


@pytest.fixture
def relatives() -> Any:
    return pl.DataFrame({"r": LOG_RELATIVES}).select(pl.col("r").exp())


def test_quartile_method(relatives: Any) -> None:
    flags = relatives.select(quartile_outliers(pl.col("r"), cutoff=2.5)).to_series()
    assert [n for n, flag in enumerate(flags, 1) if flag] == FLAGGED


def test_quartile_limits_follow_from_the_quartiles(relatives: Any) -> None:
    low, high = quartile_limits(pl.col("r"), cutoff=2.5)
    found = relatives.select(low.alias("low"), high.alias("high")).row(0)
    # From Q1 0.448693, median 0.573784, Q3 1.481868 of the same numbers, worked out apart from this code.
    assert found == pytest.approx((0.261056, 2.843993), abs=5.1e-6)


def test_symmetric_distance(relatives: Any) -> None:
    found = relatives.select(symmetric_distance(pl.col("r"))).to_series().to_list()
    # The logarithms' rounding is worth 5e-7 in a distance of 5.
    assert found == pytest.approx(DISTANCES, abs=5e-7)
