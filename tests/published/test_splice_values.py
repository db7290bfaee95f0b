"""Rolling windows and their splices, and unit values, against values published elsewhere; the source is beside each."""

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest

from pipelines.trends.index_numbers.multilateral import geary_khamis, geks, time_product_dummy
from pipelines.trends.index_numbers.panel import Panel
from pipelines.trends.index_numbers.splicing import extended, rolling_index
from pipelines.trends.index_numbers.unit_values import unit_values
from tests.published.index_examples import SCHEMA, ces_sigma_2, turvey

# R package gpindex, tests/testthat/test-splice.R: three windows of month-to-month changes (1, 2, 3), (3, 4, 5), (5, 6, 7).
TOY = {"1": (1, 2, 3), "2": (3, 4, 5), "3": (5, 6, 7)}


def toy_window(panel: Any) -> Any:
    """The window named by its first month, whatever is in the panel."""
    return np.cumprod([1.0, *TOY[panel.months[0]]])


def toy_panel() -> Any:
    """Six months; the toy's own series begins with the second, because its first window has a base month before it."""
    return Panel(tuple("123456"), ("i",), np.ones((6, 1)), np.ones((6, 1)))


@pytest.mark.parametrize(
    ("splice", "on_published", "expected"),
    [
        ("movement", True, [1, 2, 6, 30, 210]),
        ("movement", False, [1, 2, 6, 30, 210]),
        ("window", False, [1, 2, 6, 60, 630]),
        ("window", True, [1, 2, 6, 60, 420]),
    ],
)
def test_toy_splices(splice: str, on_published: bool, expected: list[int]) -> None:
    levels = rolling_index(toy_panel(), toy_window, 4, splice, on_published)
    assert levels[1:] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("on_published", [True, False])
def test_toy_mean_splice(on_published: bool) -> None:
    """The same file: the fourth value is the geometric mean of 60, 40 and 30."""
    levels = rolling_index(toy_panel(), toy_window, 4, "mean", on_published)
    assert levels[4] == pytest.approx((60 * 40 * 30) ** (1 / 3), rel=1e-12)


# IndexNumR tests/testthat (test-gk.R, test-wtpd.R) and inst/testdata: windows of 11 of the 12 periods, the last one joined.
CES_SPLICED = {
    ("geks-tornqvist", "movement"): (1.1330595, 5.1e-8),
    ("geks-tornqvist", "window"): (1.1330033, 5.1e-8),
    ("geks-tornqvist", "half"): (1.1332468, 5.1e-8),
    ("geks-tornqvist", "mean"): (1.1330748, 5.1e-8),
    ("geary-khamis", "movement"): (1.223542862, 1e-8),
    ("geary-khamis", "window"): (1.243101, 5.1e-7),
    ("geary-khamis", "mean"): (1.230446268, 1e-8),
    ("geary-khamis", "half"): (1.23085666, 1e-8),
    ("time-product-dummy", "movement"): (1.169222231, 1e-9),
    ("time-product-dummy", "window"): (1.182210203, 1e-9),
    ("time-product-dummy", "mean"): (1.172839323, 1e-9),
    ("time-product-dummy", "half"): (1.173076444, 1e-9),
}
METHODS: dict[str, Callable[[Panel], Any]] = {
    "geks-tornqvist": geks,
    "geary-khamis": geary_khamis,
    "time-product-dummy": time_product_dummy,
}


@pytest.mark.parametrize("on_published", [True, False], ids=["published", "windows"])
@pytest.mark.parametrize(("method", "splice"), CES_SPLICED)
def test_ces_spliced(method: Any, splice: Any, on_published: bool) -> None:
    """The first joined month is the same on published values and on windows."""
    expected, tolerance = CES_SPLICED[method, splice]
    levels = rolling_index(Panel.from_frame(ces_sigma_2()), METHODS[method], 11, splice, on_published)
    assert levels[11] == pytest.approx(expected, abs=tolerance)


# Five items with gaps, window 4; worked out with the package pyindexnum 0.4.0 and a separate program.
GAPS_SPLICED = {
    "movement": [1, 1.019866, 0.994825, 1.044805, 1.109587, 1.125792],
    "window": [1, 1.019866, 0.994825, 1.044805, 1.124587, 1.134068],
    "mean": [1, 1.019866, 0.994825, 1.044805, 1.119477, 1.126629],
}


@pytest.mark.parametrize("splice", GAPS_SPLICED)
def test_five_items_with_gaps_spliced(splice: Any) -> None:
    nan = float("nan")
    prices = np.array(
        [
            [10.0, 10.5, 11.0, 11.0, 12.0, 12.5],
            [4.0, 4.2, 4.4, 4.0, nan, nan],
            [25.0, 24.0, nan, 26.0, 27.0, 27.5],
            [nan, nan, 8.0, 7.5, 7.0, 6.8],
            [1.5, 1.5, 1.2, 1.6, 1.65, 1.7],
        ]
    )
    quantities = np.array(
        [
            [20, 18, 17, 16, 14, 13],
            [50, 48, 40, 55, 0, 0],
            [8, 9, 0, 7, 7, 6],
            [0, 0, 5, 12, 20, 25],
            [100, 100, 160, 80, 90, 85],
        ]
    )
    panel = Panel(tuple("123456"), tuple("ABCDE"), prices.T, quantities.T.astype(float))
    assert rolling_index(panel, geks, 4, splice) == pytest.approx(GAPS_SPLICED[splice], abs=5.1e-7)


def test_a_splice_matters_on_seasonal_goods() -> None:
    """Turvey's fruit, GEKS-Törnqvist in windows of 13 months, December 1973 over January 1970, and in one window: by a separate
    program."""
    panel = Panel.from_frame(turvey())
    base, last = panel.row("1970-12"), panel.row("1973-12")
    found = {splice: rolling_index(panel, geks, 13, splice)[last] for splice in ("movement", "mean")}
    whole = geks(panel)
    assert found == pytest.approx({"movement": 1.3582, "mean": 1.4649}, abs=5.1e-5)
    assert whole[last] / whole[base] == pytest.approx(1.4365, abs=5.1e-5)


def test_splices_that_make_no_sense_are_refused() -> None:
    with pytest.raises(ValueError, match="no splice is called 'sideways'; there are movement, window, half, mean"):
        rolling_index(toy_panel(), toy_window, 4, "sideways")
    with pytest.raises(ValueError, match="2 months or more"):
        rolling_index(toy_panel(), toy_window, 1)


def test_a_month_to_join_at_that_was_not_published() -> None:
    """The mean takes the months that were; a splice at one month has no value without it."""
    published: npt.NDArray[np.float64] = np.array([1.0, np.nan, 6.0])
    newest: npt.NDArray[np.float64] = np.array([1.0, 3.0, 12.0, 60.0])
    assert extended(published, newest, "mean") == pytest.approx((60 * 30) ** 0.5, rel=1e-12)
    assert np.isnan(extended(np.array([np.nan, 2.0, 6.0]), newest, "window"))
    assert np.isnan(extended(np.full(3, np.nan), newest, "mean"))


# IndexNumR tests/testthat/test-unitValues.R: quarters of the twelve periods; quantity (sums of rounded ones) and unit value.
QUARTERS = {
    "g1": [(1.6828282, 1.743535478), (3.1488225, 1.4453811036), (4.4087007, 1.2966820814), (6.4013360, 1.1451621950)],
    "g2": [
        (10.3574383, 0.6622509274),
        (5.2115454, 1.1237581288),
        (10.3419066, 0.7996809619),
        (5.1532397, 1.2769666057),
    ],
    "g3": [
        (5.7775985, 0.9437975121),
        (20.0514504, 0.5376119109),
        (14.2303051, 0.7218112281),
        (29.2651552, 0.5183794879),
    ],
    "g4": [
        (34.2941714, 0.5468516194),
        (26.9706014, 0.6975126784),
        (31.8921328, 0.6817197566),
        (28.6050935, 0.7662432846),
    ],
}


def test_quarterly_unit_values() -> None:
    quarter = ((pl.col("month").cast(pl.Int64) - 1) // 3 + 1).cast(pl.String)
    found = unit_values(ces_sigma_2().with_columns(month=quarter))
    for item, expected in QUARTERS.items():
        rows = found.filter(pl.col("item_code") == item).sort("month")
        assert rows["quantity"].to_list() == pytest.approx([q for q, _ in expected], rel=2e-8)
        assert rows["price"].to_list() == pytest.approx([value for _, value in expected], abs=1e-8)


def test_unit_values_of_rows_that_say_little() -> None:
    rows = [
        ("1", "a", 2.0, 0.0),
        ("1", "a", 4.0, None),
        ("1", "b", None, 5.0),
        ("1", "c", 3.0, 2.0),
        ("1", "c", None, 9.0),
    ]
    found = unit_values(pl.DataFrame(rows, SCHEMA, orient="row"))
    assert found.rows() == [("1", "a", 3.0, 0.0), ("1", "c", 3.0, 2.0)]
