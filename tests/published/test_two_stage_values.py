"""A two-stage index with gaps, births and deaths, under three treatments of gaps: the worked example of the R package piar."""

import math
from typing import Any

import numpy as np
import pytest

from pipelines.trends.index_numbers.contributions import jevons_contributions
from pipelines.trends.index_numbers.imputation import carry_forward, impute_class_mean
from pipelines.trends.index_numbers.panel import Pair
from pipelines.trends.index_numbers.two_stage import two_stage_index

# Prices of twelve products of four businesses in four months: piar, data/ms_prices. A dash has a row without a price, a point has no
# row: the product is not in the sample.
PRICES = """
B1 1 1.14 . . .
B1 2 - 6.94 2.32 .
B1 3 6.09 5.45 - -
B2 4 6.23 - 3.03 2.65
B2 5 8.61 - 1.59 3.05
B2 6 6.40 - 0.40 5.07
B3 7 0.09 8.37 2.19 1.81
B3 8 2.33 2.86 8.11 7.60
B3 9 6.66 2.67 5.26 2.01
B3 10 5.14 1.87 9.15 2.59
B4 11 . . 8.31 9.92
B4 12 . . 0.46 8.07
"""
CELLS = [line.split() for line in PRICES.strip().splitlines()]
BUSINESSES = [cell[0] for cell in CELLS]
OBSERVED = np.array([[math.nan if word in ".-" else float(word) for word in cell[2:]] for cell in CELLS]).T
IN_SAMPLE = np.array([[word != "." for word in cell[2:]] for cell in CELLS]).T
# B5 has a weight and never reports.
PATHS = {
    code: ("1", parent, code)
    for code, parent in zip(("B1", "B2", "B3", "B4", "B5"), ["11"] * 3 + ["12"] * 2, strict=True)
}
WEIGHTS = {"B1": 553, "B2": 646, "B3": 312, "B4": 622, "B5": 330}


def numbers(text: Any) -> Any:
    return [1.0, *(float(word) for word in text.split())]


def levels(prices: Any, impute_gaps: bool = False) -> Any:
    return two_stage_index(prices, BUSINESSES, PATHS, WEIGHTS, impute_gaps)


def test_gaps_left_out() -> None:
    """piar tests/test-making-price-indexes.Rout.save: chained, seven decimals."""
    expected = {
        "1": "1.3007239 1.3827662 3.7815355",
        "11": "1.3007239 1.3827662 2.1771866",
        "12": "1.3007239 1.3827662 6.3279338",
        "B1": "0.8949097 0.2991629 0.4710366",
        "B2": "1.3007239 1.3827662 3.8308934",
        "B3": "2.0200036 3.3033836 1.7772072",
        "B4": "1.3007239 1.3827662 6.3279338",
        "B5": "1.3007239 1.3827662 6.3279338",
    }
    found = levels(OBSERVED)
    assert set(found) == set(expected)
    for code, text in expected.items():
        assert found[code] == pytest.approx(numbers(text), abs=5.1e-8), code


def test_gaps_imputed() -> None:
    """piar tests/testthat/test-known-values.R: overall-mean imputation that corrects itself; index times 100."""
    expected = {
        "1": "130.072391107879 86.7572212018498 194.002034724665",
        "11": "130.072391107879 86.7572212018498 66.0876113541715",
        "12": "130.072391107879 86.7572212018498 397.025872658294",
        "B1": "89.4909688013136 29.9162892822837 22.7888361551669",
        "B2": "130.072391107879 17.7722681519892 49.2372928695834",
        "B3": "202.000360773041 330.33835909201 177.720715283958",
        "B4": "130.072391107879 86.7572212018498 397.025872658294",
        "B5": "130.072391107879 86.7572212018498 397.025872658294",
    }
    found = levels(OBSERVED, impute_gaps=True)
    for code, text in expected.items():
        assert 100 * found[code][1:] == pytest.approx(numbers(text)[1:], rel=1e-12), code


def test_gaps_carried_forward() -> None:
    """piar tests: changes from month to month; what left the sample is not carried."""
    found = levels(np.where(IN_SAMPLE, carry_forward(OBSERVED).prices, np.nan))
    expected = {
        "B1": "0.8949097 0.5781816 1.0000000",
        "B2": "1.0000000 0.1777227 2.7704563",
        "1": "1.1721550 0.8082981 2.2653614",
    }
    for code, text in expected.items():
        assert found[code][1:] / found[code][:-1] == pytest.approx(numbers(text)[1:], abs=5.1e-8), code


def test_one_data_set_gives_three_answers() -> None:
    """Published levels of all items in the last month: 3.7815, 1.9400 and 1.1721550 x 0.8082981 x 2.2653614."""
    carried = levels(np.where(IN_SAMPLE, carry_forward(OBSERVED).prices, np.nan))
    last = [levels(OBSERVED)["1"][-1], levels(OBSERVED, impute_gaps=True)["1"][-1], carried["1"][-1]]
    assert last == pytest.approx([3.7815355, 1.94002034724665, 1.1721550 * 0.8082981 * 2.2653614], abs=5e-7)


def test_contributions_of_products() -> None:
    """piar: contributions to all items in the second month; a group's share of the weights that report times its Jevons parts."""
    found: dict[Any, Any] = {}
    reporting = {"B1": 553 / (553 + 312), "B3": 312 / (553 + 312)}
    for business, share in reporting.items():
        both = [n for n, own in enumerate(BUSINESSES) if own == business and np.isfinite(OBSERVED[:2, n]).all()]
        ones = np.ones(len(both))
        parts = share * jevons_contributions(Pair(OBSERVED[0, both], OBSERVED[1, both], ones, ones))
        found |= {CELLS[n][1]: part for n, part in zip(both, parts, strict=True)}
    expected = {"3": -0.06718490, "7": 0.51646606, "8": 0.01906845, "9": -0.07980493, "10": -0.08782076}
    assert found == pytest.approx(expected, abs=5.1e-9)
    assert sum(found.values()) == pytest.approx(levels(OBSERVED)["1"][1] - 1, abs=1e-12)


def test_class_mean_imputation_corrects_itself_alike() -> None:
    """The same file's levels that do not hang on how a group without any price is imputed: ours takes the plain mean of all items,
    piar the weighted mean of the groups. B2 is back in the third month, and its level must not depend on what stood in for it."""
    prices = impute_class_mean(OBSERVED, BUSINESSES).prices
    expected = {
        "B1": {1: 89.4909688013136, 2: 29.9162892822837},
        "B2": {2: 17.7722681519892, 3: 49.2372928695834},
        "B3": {1: 202.000360773041, 2: 330.33835909201, 3: 177.720715283958},
    }
    for business, by_row in expected.items():
        chosen = np.array(BUSINESSES) == business
        found = 100 * np.exp(np.log(prices[:, chosen] / prices[0, chosen]).mean(axis=1))
        for row, level in by_row.items():
            assert found[row] == pytest.approx(level, rel=1e-12), (business, row)
