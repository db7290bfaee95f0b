"""Screens of unusual price changes, with limits worked out by a separate program."""

import polars as pl
import pytest

from pipelines.trends.prices.screens import (
    hidiroglou_berthelot_limits,
    hidiroglou_berthelot_outliers,
    quartile_limits,
    quartile_outliers,
    size_weighted_effect,
)

# An example of our own, its limits worked out by a separate program: ten items, of which the eighth and tenth are wrong.
PRICES = pl.DataFrame(
    {
        "before": [10.0, 4, 25, 8, 1.5, 12, 60, 3, 7, 100],
        "price": [10.5, 4.2, 24, 8, 1.2, 12.6, 63, 9, 7.2, 55],
    }
)
BEFORE, PRICE = pl.col("before"), pl.col("price")
LOG_RELATIVE = (PRICE / BEFORE).log()


def flagged(expression: pl.Expr, frame: pl.DataFrame = PRICES) -> list[int]:
    return [n for n, flag in enumerate(frame.select(expression).to_series(), 1) if flag]


def test_size_weighted_effects() -> None:
    expected = [0.033406, 0.021128, -0.412946, -0.111117, -0.366330, 0.036594, 0.081827, 5.659794, -0.027951, -8.896104]
    assert PRICES.select(size_weighted_effect(BEFORE, PRICE)).to_series().to_list() == pytest.approx(
        expected, abs=5.1e-7
    )


@pytest.mark.parametrize(("cutoff", "limits"), [(4, (-1.199872, 0.153423)), (20, (-5.985713, 0.780764))])
def test_hidiroglou_berthelot(cutoff: int, limits: tuple[float, ...]) -> None:
    low, high = hidiroglou_berthelot_limits(size_weighted_effect(BEFORE, PRICE), cutoff)
    assert PRICES.select(low.alias("low"), high.alias("high")).row(0) == pytest.approx(limits, abs=5.1e-7)
    assert flagged(hidiroglou_berthelot_outliers(BEFORE, PRICE, cutoff)) == [8, 10]


def test_quartile_method_on_logarithms_also_flags_the_cheap_item() -> None:
    low, high = quartile_limits(LOG_RELATIVE, 2.5)
    assert PRICES.select(low.alias("low"), high.alias("high")).row(0) == pytest.approx(
        (-0.134262, 0.064255), abs=5.1e-7
    )
    assert flagged(quartile_outliers(LOG_RELATIVE, 2.5)) == [5, 8, 10]


def test_a_minimum_spread_spares_small_changes_where_most_prices_stand_still() -> None:
    still = pl.DataFrame({"before": [1.0] * 8, "price": [1.0] * 6 + [1.03, 2.0]})
    assert flagged(quartile_outliers(LOG_RELATIVE, 2.5), still) == [7, 8]
    assert flagged(quartile_outliers(LOG_RELATIVE, 2.5, minimum_spread=0.05), still) == [8]


def test_screens_work_by_group() -> None:
    other = PRICES.with_columns(price=pl.col("before") * 3)
    frame = pl.concat([PRICES.with_columns(group=pl.lit("a")), other.with_columns(group=pl.lit("b"))])
    for expression in (quartile_outliers(LOG_RELATIVE), hidiroglou_berthelot_outliers(BEFORE, PRICE)):
        in_all = frame.select(expression.over("group")).to_series().to_list()
        assert in_all == [*PRICES.select(expression).to_series(), *other.select(expression).to_series()]
        assert not any(in_all[10:])


def test_a_missing_price_is_neither_flagged_nor_counted() -> None:
    with_gap = pl.concat([PRICES, pl.DataFrame({"before": [None], "price": [1.0]}, PRICES.schema)])
    for expression in (quartile_outliers(LOG_RELATIVE), hidiroglou_berthelot_outliers(BEFORE, PRICE)):
        flags = with_gap.select(expression).to_series().to_list()
        assert flags[-1] is None
        assert flags[:-1] == PRICES.select(expression).to_series().to_list()
