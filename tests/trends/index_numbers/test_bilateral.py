"""Bilateral indices: an example of our own, and what each formula keeps to: identity, reversal, units, order."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.trends.index_numbers.bilateral import (
    FORMULAS,
    TIME_REVERSIBLE,
    carli,
    chained_index,
    compare,
    direct_index,
    dutot,
    harmonic,
    jevons,
    laspeyres,
    lowe,
    lowe_index,
    paasche,
)
from pipelines.trends.index_numbers.contributions import (
    fisher_contributions,
    laspeyres_contributions,
    tornqvist_contributions,
)
from pipelines.trends.index_numbers.multilateral import geks
from pipelines.trends.index_numbers.panel import Pair, Panel

ONE_WAY = {"laspeyres", "paasche", "carli", "harmonic"}

# Five items with a gap, a birth, a death and a promotion: an example of our own. Rows marked * below were also worked out, to six
# decimals, with the package pyindexnum 0.4.0, the others by a separate program.
GAPS = """
A 10.00/20 10.50/18 11.00/17 11.00/16 12.00/14 12.50/13
B 4.00/50 4.20/48 4.40/40 4.00/55 - -
C 25.00/8 24.00/9 - 26.00/7 27.00/7 27.50/6
D - - 8.00/5 7.50/12 7.00/20 6.80/25
E 1.50/100 1.50/100 1.20/160 1.60/80 1.65/90 1.70/85
"""
DIRECT = {
    "laspeyres": "1 1.016000 1.018182 1.050667 1.129091 1.163636",
    "paasche": "1 1.012851 0.973684 1.045926 1.123333 1.158282",
    "fisher": "1 1.014424 0.995684 1.048294 1.126208 1.160956",
    "tornqvist": "1 1.014438 0.996806 1.048308 1.126170 1.160903",
    "walsh": "1 1.014441 0.997071 1.048340 1.126155 1.160914",
    "jevons": "1 1.014291 0.989217 1.051027 1.125466 1.159365",
    "dutot": "1 0.992593 1.070968 1.051852 1.113699 1.142466",
    "carli": "1 1.015000 1.000000 1.051667 1.126667 1.161111",
}
CHAINED = {
    "laspeyres": "1 1.016000 0.994575 1.070631 1.109664 1.128574",
    "paasche": "1 1.012851 0.958453 0.964738 0.988473 1.002132",
    "fisher": "1 1.014424 0.976347 1.016306 1.047317 1.063475",
    "tornqvist": "1 1.014438 0.977066 1.015245 1.046364 1.062533",
    "walsh": "1 1.014441 0.977249 1.015003 1.046310 1.062532",
    "jevons": "1 1.014291 0.971243 1.002784 1.024713 1.040209",
    "dutot": "1 0.992593 1.017101 0.996428 1.029931 1.048303",
    "carli": "1 1.015000 0.979556 1.023617 1.047660 1.063877",
}
# Month 2 to 3, all *.
MATCHED = {
    "laspeyres": 0.978912, "paasche": 0.946292, "fisher": 0.962464, "tornqvist": 0.963160, "walsh": 0.963338,
    "jevons": 0.957559, "dutot": 1.024691, "carli": 0.965079,
}  # fmt: skip


def gaps_panel() -> Panel:
    rows = []
    for line in GAPS.strip().splitlines():
        item, *cells = line.split()
        for month, cell in enumerate(cells, 1):
            price, quantity = (None, None) if cell == "-" else map(float, cell.split("/"))
            rows.append((f"m{month}", item, price, quantity))
    return Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.split()]


@pytest.mark.parametrize("method", DIRECT)
def test_direct_index_with_gaps(method: str) -> None:
    assert direct_index(gaps_panel(), FORMULAS[method], "m1") == pytest.approx(numbers(DIRECT[method]), abs=5.1e-7)


@pytest.mark.parametrize("method", CHAINED)
def test_chained_index_with_gaps(method: str) -> None:
    assert chained_index(gaps_panel(), FORMULAS[method]) == pytest.approx(numbers(CHAINED[method]), abs=5.1e-7)


@pytest.mark.parametrize("method", MATCHED)
def test_two_months_with_gaps(method: str) -> None:
    assert compare(gaps_panel(), 1, 2, FORMULAS[method]) == pytest.approx(MATCHED[method], abs=5.1e-7)


prices = st.floats(0.01, 1000)
quantities = st.floats(0.1, 10_000)


@st.composite
def pairs(draw: st.DrawFn) -> Pair:
    count = draw(st.integers(1, 8))
    columns = [
        draw(st.lists(kind, min_size=count, max_size=count)) for kind in (prices, prices, quantities, quantities)
    ]
    return Pair(*map(np.array, columns))


def swapped(pair: Pair) -> Pair:
    return Pair(pair.price, pair.price_base, pair.quantity, pair.quantity_base)


def with_arrays(
    pair: Pair,
    price_base: Any = None,
    price: npt.NDArray[Any] | None = None,
    quantity_base: Any = None,
    quantity: Any = None,
) -> Pair:
    return Pair(
        pair.price_base if price_base is None else price_base,
        pair.price if price is None else price,
        pair.quantity_base if quantity_base is None else quantity_base,
        pair.quantity if quantity is None else quantity,
    )


def test_the_reversible_formulas_are_all_but_the_one_way_ones() -> None:
    assert {name for name, formula in FORMULAS.items() if formula not in TIME_REVERSIBLE} == ONE_WAY


@given(pairs())
def test_time_reversal(pair: Pair) -> None:
    for formula in TIME_REVERSIBLE:
        assert formula(pair) * formula(swapped(pair)) == pytest.approx(1, rel=1e-9)


@pytest.mark.parametrize("name", sorted(ONE_WAY))
def test_one_way_formulas_fail_time_reversal(name: str) -> None:
    pair = Pair(np.array([1.0, 1.0]), np.array([2.0, 1.0]), np.array([1.0, 1.0]), np.array([0.25, 1.0]))
    assert abs(FORMULAS[name](pair) * FORMULAS[name](swapped(pair)) - 1) > 0.1


@given(pairs())
def test_identity(pair: Pair) -> None:
    for name, formula in FORMULAS.items():
        assert formula(with_arrays(pair, price=pair.price_base)) == pytest.approx(1, rel=1e-12), name


@given(pairs(), st.floats(0.1, 10))
def test_proportionality(pair: Pair, factor: float) -> None:
    """A common change of all prices is the index, whatever the quantities; and all prices times k is the index times k."""
    for name, formula in FORMULAS.items():
        assert formula(with_arrays(pair, price=factor * pair.price_base)) == pytest.approx(factor, rel=1e-9), name
        assert formula(with_arrays(pair, price=factor * pair.price)) == pytest.approx(
            factor * formula(pair), rel=1e-9
        ), name


@given(pairs(), st.data())
def test_units_do_not_matter_except_to_dutot(pair: Pair, data: Any) -> None:
    count = pair.price.size
    units = np.array(data.draw(st.lists(st.floats(0.01, 100), min_size=count, max_size=count)))
    other = Pair(pair.price_base * units, pair.price * units, pair.quantity_base / units, pair.quantity / units)
    for name, formula in FORMULAS.items():
        if name != "dutot":
            assert formula(other) == pytest.approx(formula(pair), rel=1e-9), name


def test_units_matter_to_dutot() -> None:
    pair = Pair(np.array([1.0, 10.0]), np.array([2.0, 10.0]), np.ones(2), np.ones(2))
    dozens = with_arrays(pair, price_base=np.array([12.0, 10.0]), price=np.array([24.0, 10.0]))
    assert abs(dutot(dozens) - dutot(pair)) > 0.3


@given(pairs(), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(pair: Pair, random: Any) -> None:
    """Exactly: a panel sorts its items, so the sums run in one order."""
    rows = [
        (month, f"i{n}", float(p), float(q))
        for month, ps, qs in (("1", pair.price_base, pair.quantity_base), ("2", pair.price, pair.quantity))
        for n, (p, q) in enumerate(zip(ps, qs, strict=True))
    ]
    shuffled = random.sample(rows, len(rows))
    first, second = (
        Panel.from_frame(pl.DataFrame(r, ["month", "item_code", "price", "quantity"], orient="row"))
        for r in (rows, shuffled)
    )
    for formula in FORMULAS.values():
        assert compare(first, 0, 1, formula) == compare(second, 0, 1, formula)


@given(pairs())
def test_carli_is_at_least_jevons_is_at_least_harmonic(pair: Pair) -> None:
    slack = 1 + 1e-9
    assert carli(pair) * slack >= jevons(pair) >= harmonic(pair) / slack


@given(pairs())
def test_dutot_is_carli_where_base_prices_are_equal(pair: Pair) -> None:
    level = with_arrays(pair, price_base=np.full_like(pair.price, 3.0))
    assert dutot(level) == pytest.approx(carli(level), rel=1e-9)


@given(pairs())
def test_superlative_formulas_lie_between_the_extreme_relatives(pair: Pair) -> None:
    low, high = pair.relatives.min(), pair.relatives.max()
    for formula in FORMULAS.values():
        assert low * (1 - 1e-9) <= formula(pair) <= high * (1 + 1e-9)


@given(pairs())
def test_contributions_add_up(pair: Pair) -> None:
    for contributions, name in (
        (laspeyres_contributions, "laspeyres"),
        (tornqvist_contributions, "tornqvist"),
        (fisher_contributions, "fisher"),
    ):
        index = FORMULAS[name](pair)
        assert contributions(pair).sum() == pytest.approx(index - 1, abs=1e-12 + 1e-9 * index), name


def test_lowe_with_the_quantities_of_either_month_is_laspeyres_or_paasche() -> None:
    pair = gaps_panel().pair(0, 1)
    assert lowe(pair, pair.quantity_base) == laspeyres(pair)
    assert lowe(pair, pair.quantity) == paasche(pair)
    assert lowe_index(gaps_panel(), gaps_panel().quantities[0], "m1") == pytest.approx(
        numbers(DIRECT["laspeyres"]), abs=5.1e-7
    )


def test_bounce() -> None:
    """Prices of the last month are the first month's, but a chain of monthly Laspeyres is far from 1; GEKS is not."""
    rows = [(f"{m}", "A", p, q) for m, p, q in ((1, 1.0, 10), (2, 0.5, 100), (3, 1.0, 2), (4, 1.0, 10))]
    rows += [(f"{m}", "B", 1.0, q) for m, q in ((1, 10), (2, 8), (3, 10), (4, 10))]
    panel = Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))
    expected = {
        "laspeyres": 1.396552,
        "paasche": 0.585859,
        "fisher": 0.904534,
        "tornqvist": 0.890899,
        "jevons": 1,
        "carli": 1.125,
    }
    for name, value in expected.items():
        assert chained_index(panel, FORMULAS[name])[-1] == pytest.approx(value, abs=5.1e-7)
    for name in ("fisher", "tornqvist"):
        assert geks(panel, FORMULAS[name])[-1] == pytest.approx(1, abs=1e-12)


def test_months_without_common_items_have_no_index() -> None:
    rows = [("1", "A", 1.0, 1.0), ("2", "B", 1.0, 1.0), ("3", "B", 2.0, 1.0)]
    panel = Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))
    for formula in FORMULAS.values():
        assert [math.isnan(level) for level in direct_index(panel, formula, "1")] == [False, True, True]
        assert [math.isnan(level) for level in chained_index(panel, formula)] == [False, True, True]
        assert compare(panel, 1, 2, formula) == pytest.approx(2)


def test_weights_that_are_all_zero_give_no_index() -> None:
    rows = [("1", "A", 1.0, 0.0), ("2", "A", 2.0, 0.0)]
    panel = Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))
    for name in ("laspeyres", "paasche", "fisher", "tornqvist", "walsh"):
        assert math.isnan(compare(panel, 0, 1, FORMULAS[name]))
    assert compare(panel, 0, 1, jevons) == 2


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([("1", "A", 1.0, 1.0), ("1", "A", 2.0, 1.0)], "share a month"),
        ([("1", "A", 0.0, 1.0)], "above 0"),
        ([("1", "A", -1.0, 1.0)], "above 0"),
        ([("1", "A", math.nan, 1.0)], "above 0"),
        ([("1", "A", math.inf, 1.0)], "above 0"),
        ([("1", "A", 1.0, -1.0)], "0 or more"),
        ([("1", "A", 1.0, math.nan)], "0 or more"),
    ],
)
def test_prices_and_quantities_that_make_no_sense_are_refused(
    rows: list[tuple[str, str, float, float]], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))


def test_a_month_the_panel_lacks_is_refused() -> None:
    with pytest.raises(ValueError):
        direct_index(gaps_panel(), jevons, "m9")


def test_a_unit_value_over_unlike_items_measures_what_was_bought() -> None:
    """Why there is no unit value index of a basket: in month 3 it says 0.64 where every formula above says 0.97 to 1.07."""
    panel = gaps_panel()
    values, quantities = np.nansum(panel.prices * panel.quantities, axis=1), panel.quantities.sum(axis=1)
    mix = values / quantities / (values[0] / quantities[0])
    assert mix == pytest.approx(numbers("1 1.026094 0.636096 1.111278 1.169455 1.181147"), abs=5.1e-7)
    others = [direct_index(panel, formula, "m1")[2] for formula in FORMULAS.values()]
    assert min(others) > 0.97
