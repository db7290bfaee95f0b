"""Missing prices: the ways of filling them, and what each does to the index."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.trends.index_numbers.bilateral import lowe_index
from pipelines.trends.index_numbers.imputation import carry_forward, impute_class_mean, impute_overall_mean
from pipelines.trends.index_numbers.panel import Panel

NAN = math.nan
# Items A, B, C and E of the five with gaps in test_bilateral; the basket is what was bought in the first month.
PRICES = np.array(
    [
        [10.0, 10.5, 11.0, 11.0, 12.0, 12.5],
        [4.0, 4.2, 4.4, 4.0, NAN, NAN],
        [25.0, 24.0, NAN, 26.0, 27.0, 27.5],
        [1.5, 1.5, 1.2, 1.6, 1.65, 1.7],
    ]
).T
BASKET = np.array([20.0, 50.0, 8.0, 100.0])


def lowe(prices: npt.NDArray[Any]) -> npt.NDArray[Any]:
    months = tuple(f"m{n}" for n in range(1, len(prices) + 1))
    return lowe_index(Panel(months, ("A", "B", "C", "E"), prices, np.ones_like(prices)), BASKET, "m1")


def test_class_mean_of_one_class() -> None:
    """Imputed prices and index by a separate program."""
    imputed = impute_class_mean(PRICES, ["f"] * 4)
    assert [imputed.prices[at] for at in ((2, 2), (4, 1), (5, 1))] == pytest.approx(
        [22.981418, 4.212834, 4.339722], abs=5.1e-7
    )
    assert lowe(imputed.prices) == pytest.approx([1, 1.016, 0.991802, 1.050667, 1.108856, 1.142648], abs=5.1e-7)
    assert np.argwhere(imputed.is_imputed).tolist() == [[2, 2], [4, 1], [5, 1]]


def test_overall_mean_weighted_by_the_basket() -> None:
    """Imputed prices and index by a separate program."""
    imputed = impute_overall_mean(PRICES, BASKET)
    assert [imputed.prices[at] for at in ((2, 2), (4, 1), (5, 1))] == pytest.approx(
        [23.578947, 4.224490, 4.353741], abs=5.1e-7
    )
    assert lowe(imputed.prices) == pytest.approx([1, 1.016, 0.998175, 1.050667, 1.109633, 1.143583], abs=5.1e-7)
    assert np.argwhere(imputed.is_imputed).tolist() == [[2, 2], [4, 1], [5, 1]]


def test_overall_mean_is_one_class_for_all() -> None:
    found, expected = impute_overall_mean(PRICES), impute_class_mean(PRICES, ["f"] * 4)
    assert (found.prices == expected.prices).all() and (found.is_imputed == expected.is_imputed).all()


def test_overall_mean_before_the_first_price_and_in_an_empty_month() -> None:
    prices = np.array([[2.0, NAN, NAN], [NAN, NAN, NAN], [3.0, 5.0, NAN]])
    found = impute_overall_mean(prices, np.array([1.0, 2.0, 3.0]))
    assert found.prices[:, 0] == pytest.approx([2, 2, 3])
    assert found.prices[:, 1] == pytest.approx([10 / 3, 10 / 3, 5])
    assert np.isnan(found.prices[:, 2]).all() and not found.is_imputed[:, 2].any()


def test_carry_forward_hides_the_change() -> None:
    carried = carry_forward(PRICES)
    assert lowe(carried.prices) == pytest.approx([1, 1.016, 1.002667, 1.050667, 1.094667, 1.12], abs=5.1e-7)
    assert (carried.is_imputed == np.isnan(PRICES)).all()


def test_the_level_corrects_itself_when_an_item_comes_back() -> None:
    """In month 4 item C is back: however month 3 was filled, the index of month 4 is the same."""
    treatments = (impute_class_mean(PRICES, ["f"] * 4), impute_overall_mean(PRICES, BASKET), carry_forward(PRICES))
    fourth = [lowe(filled.prices)[3] for filled in treatments]
    assert fourth == pytest.approx([1.050667] * 3, abs=5.1e-7)
    assert len(set(fourth)) == 1


def test_an_item_moves_with_its_own_class() -> None:
    prices = np.array([[1.0, 1.0, 1.0, 1.0], [2.0, NAN, 0.5, NAN]])
    filled = impute_class_mean(prices, ["up", "up", "down", "down"]).prices
    assert filled[1] == pytest.approx([2.0, 2.0, 0.5, 0.5])


def test_a_class_without_prices_and_an_unknown_class_move_with_all() -> None:
    prices = np.array([[1.0, 1.0, 1.0, 1.0, 1.0], [2.0, 8.0, NAN, NAN, NAN]])
    filled = impute_class_mean(prices, ["a", "a", "b", "", "a"]).prices
    assert filled[1] == pytest.approx([2.0, 8.0, 4.0, 4.0, 4.0])
    filled = impute_class_mean(np.array([[1.0, 1.0, 1.0], [2.0, 8.0, NAN]]), ["", "a", ""]).prices
    assert filled[1, 2] == pytest.approx(4.0)  # not 2.0: sharing no known family is no class


def test_a_month_without_any_price_stands_still_and_is_caught_up() -> None:
    """The item that comes back later than the others still gets what they did over the empty month."""
    prices = np.array([[1.0, 3.0], [NAN, NAN], [1.1, NAN]])
    filled = impute_class_mean(prices, ["a", "a"])
    assert filled.prices[1] == pytest.approx([1.0, 3.0])
    assert filled.prices[2] == pytest.approx([1.1, 3.3])


def test_before_its_first_price_an_item_is_back_cast() -> None:
    prices = np.array([[1.0, NAN, 5.0], [2.0, NAN, NAN], [3.0, 6.0, 15.0]])
    imputed = impute_class_mean(prices, ["a", "a", "b"])
    assert imputed.prices[:, 1] == pytest.approx([2.0, 4.0, 6.0])
    assert imputed.is_imputed[:, 1].tolist() == [True, True, False]
    with_it, without = imputed.prices, impute_class_mean(prices[:, [0, 2]], ["a", "b"]).prices
    assert with_it[:, [0, 2]] == pytest.approx(without)  # the newcomer moved nobody else


def test_an_item_that_never_had_a_price_stays_without() -> None:
    imputed = impute_class_mean(np.array([[1.0, NAN], [2.0, NAN]]), ["a", "a"])
    assert np.isnan(imputed.prices[:, 1]).all()
    assert not imputed.is_imputed[:, 1].any()


def test_nothing_at_all() -> None:
    assert np.isnan(impute_class_mean(np.full((2, 2), NAN), ["a", "b"]).prices).all()
    assert impute_class_mean(np.zeros((2, 0)), []).prices.shape == (2, 0)


@st.composite
def gappy_prices(draw: st.DrawFn) -> tuple[npt.NDArray[Any], list[str]]:
    months, items = draw(st.integers(1, 6)), draw(st.integers(1, 6))
    cell = st.one_of(st.just(NAN), st.floats(0.01, 100))
    prices = np.array([[draw(cell) for _ in range(items)] for _ in range(months)])
    return prices, [draw(st.sampled_from(["a", "b", ""])) for _ in range(items)]


@settings(max_examples=200)
@given(gappy_prices())
def test_what_was_observed_stays_and_all_else_is_filled(case: tuple[npt.NDArray[Any], Any]) -> None:
    prices, classes = case
    imputed = impute_class_mean(prices, classes)
    observed, ever = np.isfinite(prices), np.isfinite(prices).any(axis=0)
    assert (imputed.prices[observed] == prices[observed]).all()
    assert (np.isfinite(imputed.prices) == ever[None, :]).all()
    assert (imputed.is_imputed == (ever[None, :] & ~observed)).all()
    assert (imputed.prices[:, ever] > 0).all()


@settings(max_examples=100)
@given(gappy_prices(), st.floats(0.1, 10))
def test_imputation_does_not_depend_on_units_or_on_the_order_of_items(
    case: tuple[npt.NDArray[Any], Any], factor: float
) -> None:
    prices, classes = case
    filled = impute_class_mean(prices, classes).prices
    order = np.argsort([f"{c}{n % 2}" for n, c in enumerate(classes)], kind="stable")
    mixed = impute_class_mean(prices[:, order] * factor, [classes[n] for n in order]).prices
    assert mixed == pytest.approx(filled[:, order] * factor, rel=1e-9, nan_ok=True)


@given(st.floats(0.5, 2), st.integers(0, 2**15 - 1))
def test_prices_that_move_alike_are_imputed_exactly(change: float, gaps: int) -> None:
    true = change ** np.arange(5)[:, None] * np.array([1.0, 7.0, 0.3, 2.0])
    observed = true.copy()
    observed[:, 1:][np.array([bool(gaps >> n & 1) for n in range(15)]).reshape(5, 3)] = NAN
    filled = impute_class_mean(observed, ["a", "a", "b", ""]).prices
    ever = np.isfinite(observed).any(axis=0)
    assert filled[:, ever] == pytest.approx(true[:, ever], rel=1e-9)
