"""GEKS and the time product dummy: worked examples, and the axioms they keep."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.trends.index_numbers.bilateral import (
    carli,
    compare,
    direct_index,
    dutot,
    fisher,
    jevons,
    laspeyres,
    tornqvist,
    walsh,
)
from pipelines.trends.index_numbers.multilateral import geary_khamis, geks, time_product_dummy
from pipelines.trends.index_numbers.panel import Panel

METHODS: dict[str, Callable[..., Any]] = {
    "geks-tornqvist": geks,
    "geks-fisher": lambda panel: geks(panel, fisher),
    "geks-jevons": lambda panel: geks(panel, jevons),
    "geks-walsh": lambda panel: geks(panel, walsh),
    "time-product-dummy": time_product_dummy,
    "time-product-dummy, unweighted": lambda panel: time_product_dummy(panel, is_weighted=False),
    "geary-khamis": geary_khamis,
}

# The five items with gaps of test_bilateral; all rows to six decimals also worked out with the package pyindexnum 0.4.0.
PRICES = [
    [10.0, 10.5, 11.0, 11.0, 12.0, 12.5],
    [4.0, 4.2, 4.4, 4.0, math.nan, math.nan],
    [25.0, 24.0, math.nan, 26.0, 27.0, 27.5],
    [math.nan, math.nan, 8.0, 7.5, 7.0, 6.8],
    [1.5, 1.5, 1.2, 1.6, 1.65, 1.7],
]
QUANTITIES = [[20, 18, 17, 16, 14, 13], [50, 48, 40, 55, 0, 0], [8, 9, 0, 7, 7, 6], [0, 0, 5, 12, 20, 25]] + [
    [100, 100, 160, 80, 90, 85]
]
WITH_GAPS = {
    "geks-fisher": [1, 1.014034, 0.995122, 1.063559, 1.124917, 1.146696],
    "geks-tornqvist": [1, 1.014082, 0.994645, 1.063331, 1.125637, 1.147933],
    "geks-jevons": [1, 1.013491, 1.006326, 1.065065, 1.114455, 1.136641],
    "time-product-dummy": [1, 1.015080, 0.996698, 1.058582, 1.126688, 1.141125],
    "time-product-dummy, unweighted": [1, 1.014291, 1.027737, 1.061815, 1.104362, 1.121063],
    "geary-khamis": [1, 1.015508, 0.990288, 1.057359, 1.124711, 1.137827],
}


def panel_of(prices: Any, quantities: Any) -> Panel:
    """Prices and quantities by item and month."""
    prices, quantities = np.array(prices, dtype=float).T, np.array(quantities, dtype=float).T
    months = tuple(f"{n:02d}" for n in range(1, len(prices) + 1))
    return Panel(months, tuple(f"i{n}" for n in range(prices.shape[1])), prices, quantities)


@pytest.mark.parametrize("name", WITH_GAPS)
def test_five_items_with_gaps(name: str) -> None:
    assert METHODS[name](panel_of(PRICES, QUANTITIES)) == pytest.approx(WITH_GAPS[name], abs=5.1e-7)


@st.composite
def panels(draw: st.DrawFn, with_gaps: bool = False) -> Panel:
    items, months = draw(st.integers(2, 5)), draw(st.integers(2, 6))
    shape = st.lists(st.lists(st.floats(0.1, 100), min_size=months, max_size=months), min_size=items, max_size=items)
    prices, quantities = np.array(draw(shape)), np.array(draw(shape))
    if with_gaps:
        gaps = draw(st.lists(st.tuples(st.integers(1, items - 1), st.integers(0, months - 1)), max_size=6))
        for item, month in gaps:
            prices[item, month] = math.nan  # the first item is never missing, so that all months hang together
    return panel_of(prices, quantities)


@settings(max_examples=50)
@given(panels(with_gaps=True), st.sampled_from([tornqvist, jevons, fisher, walsh, dutot]))
def test_geks_is_the_mean_over_ways_by_all_months(panel: Panel, formula: Callable[..., Any]) -> None:
    """As its definition says, month pair by month pair; the module takes products of matrices instead."""
    count = len(panel.months)
    direct = np.array([[compare(panel, first, second, formula) for second in range(count)] for first in range(count)])
    expected = np.exp(np.nanmean(np.log(direct) - np.log(direct[:, [0]]), axis=0))
    assert geks(panel, formula) == pytest.approx(expected, rel=1e-9)


@settings(max_examples=50)
@given(panels())
def test_multi_period_identity(panel: Panel) -> None:
    """When the first month's prices and quantities come back, so does the index: no drift."""
    again = Panel(
        (*panel.months, "99"),
        panel.item_codes,
        np.vstack([panel.prices, panel.prices[0]]),
        np.vstack([panel.quantities, panel.quantities[0]]),
    )
    for name, method in METHODS.items():
        assert method(again)[-1] == pytest.approx(1, rel=1e-9), name


@settings(max_examples=50)
@given(panels(with_gaps=True), st.floats(0.1, 10))
def test_prices_moving_alike_are_the_index(panel: Panel, factor: float) -> None:
    trend = factor ** np.arange(len(panel.months))
    moving = Panel(
        panel.months, panel.item_codes, np.where(np.isnan(panel.prices), np.nan, trend[:, None]), panel.quantities
    )
    for name, method in METHODS.items():
        assert method(moving) == pytest.approx(trend, rel=1e-9), name


@settings(max_examples=50)
@given(panels(with_gaps=True), st.data())
def test_the_base_month_and_the_units_do_not_matter(panel: Panel, data: Any) -> None:
    count = len(panel.item_codes)
    units = np.array(data.draw(st.lists(st.floats(0.1, 10), min_size=count, max_size=count)))
    other = Panel(panel.months, panel.item_codes, panel.prices * units, panel.quantities / units)
    for name, method in METHODS.items():
        assert method(other) == pytest.approx(method(panel), rel=1e-7), name
    for method in (geks, time_product_dummy, geary_khamis):
        from_last = method(panel, base_month=panel.months[-1])
        assert from_last / from_last[0] == pytest.approx(method(panel), rel=1e-7)


@settings(max_examples=50)
@given(panels())
def test_without_gaps_geks_of_a_transitive_formula_is_that_formula(panel: Panel) -> None:
    assert geks(panel, jevons) == pytest.approx(direct_index(panel, jevons, "01"), rel=1e-9)


@settings(max_examples=50)
@given(panels())
def test_fixed_quantities_make_geks_fisher_and_walsh_laspeyres(panel: Panel) -> None:
    """Why the monthly comparison uses Törnqvist: on one basket without gaps the others give the headline again."""
    fixed = Panel(
        panel.months, panel.item_codes, panel.prices, np.broadcast_to(panel.quantities[0], panel.prices.shape)
    )
    expected = direct_index(fixed, laspeyres, "01")
    for formula in (fisher, walsh):
        assert geks(fixed, formula) == pytest.approx(expected, rel=1e-9)


@settings(max_examples=50)
@given(panels())
def test_equal_values_make_the_time_product_dummy_jevons(panel: Panel) -> None:
    alike = Panel(panel.months, panel.item_codes, panel.prices, 1 / panel.prices)
    assert time_product_dummy(alike) == pytest.approx(direct_index(alike, jevons, "01"), rel=1e-9)


def test_an_item_seen_once_leaves_the_index_alone() -> None:
    prices = [*PRICES, [math.nan] * 5 + [3.0]]
    quantities = [*QUANTITIES, [0] * 5 + [1000]]
    with_newcomer, without = panel_of(prices, quantities), panel_of(PRICES, QUANTITIES)
    assert geks(with_newcomer) == pytest.approx(geks(without), rel=1e-12)
    assert geks(with_newcomer, jevons) == pytest.approx(geks(without, jevons), rel=1e-12)


def test_months_that_nothing_ties_to_the_base_have_no_index() -> None:
    nan = math.nan
    panel = panel_of([[1.0, 2.0, nan, nan], [nan, nan, 1.0, 3.0]], [[1.0] * 4] * 2)
    for name, method in METHODS.items():
        assert np.isnan(method(panel)).tolist() == [False, False, True, True], name


def test_clearance_prices_bias_every_multilateral_method() -> None:
    """Lamboray and Krsinich (2016): of two items alike the first falls 1 % a month and the second is cleared and replaced.

    From month 4 to 5 the only price that can be followed falls by 1 %, yet each index rises, because the newcomer is not linked
    to what it replaces. Values by a separate program.
    """
    nan, cleared = math.nan, [1.0, 0.9, 0.81, 0.729]
    prices = [[0.99**month for month in range(8)], cleared + [nan] * 4, [nan] * 4 + cleared]
    panel = panel_of(prices, [[1.0] * 8, [1.0] * 4 + [0] * 4, [0] * 4 + [1.0] * 4])
    expected = {
        "geks-tornqvist": 1.058725,
        "geks-jevons": 1.063359,
        "time-product-dummy": 1.132300,
        "time-product-dummy, unweighted": 1.142153,
        "geary-khamis": 1.132259,
    }
    for name, value in expected.items():
        levels = METHODS[name](panel)
        assert levels[4] / levels[3] == pytest.approx(value, abs=5.1e-7), name


def test_geks_refuses_formulas_that_fail_time_reversal() -> None:
    for formula in (carli, laspeyres):
        with pytest.raises(ValueError, match="time reversal"):
            geks(panel_of(PRICES, QUANTITIES), formula)


def test_geks_of_two_months_is_its_formula() -> None:
    panel = Panel.from_frame(
        pl.DataFrame(
            {
                "month": ["1", "1", "2", "2"],
                "item_code": ["a", "b"] * 2,
                "price": [1.0, 2, 3, 1],
                "quantity": [1.0, 1, 2, 3],
            }
        )
    )
    assert geks(panel) == pytest.approx(direct_index(panel, tornqvist, "1"), rel=1e-12)
