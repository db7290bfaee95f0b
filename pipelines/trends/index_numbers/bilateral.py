"""Price indices between two months, and series made of them: direct (fixed base) and chained.

Every formula takes a :class:`~pipelines.trends.index_numbers.panel.Pair`. All results are relatives: the base month is 1.

Notation in the docstrings: p0, q0 are prices and quantities in the base month, pt, qt in the month compared, both over the
items priced in both; s0, st are value shares among those items. Formulas as in the PPI Manual (IMF 2004): those without quantities
chapters 9 and 20, the others chapter 15; and in Balk (2008), Price and Quantity Index Numbers, chapter 3.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray, Pair, Panel

Formula = Callable[[Pair], float]


def dutot(pair: Pair) -> float:
    """Ratio of mean prices: mean(pt) / mean(p0). Changes with the units of items (PPI Manual, Table 9.2)."""
    return _ratio(pair.price.sum(), pair.price_base.sum())


def carli(pair: Pair) -> float:
    """Arithmetic mean of relatives: mean(pt / p0). Biased upwards: it fails time reversal (CPI Manual 2020, 8.19 and 8.20)."""
    return float(pair.relatives.mean())


def jevons(pair: Pair) -> float:
    """Geometric mean of relatives: exp(mean(ln(pt / p0))); the choice without quantities (CPI Manual 2020, 8.20)."""
    return float(np.exp(np.log(pair.relatives).mean()))


def harmonic(pair: Pair) -> float:
    """Harmonic mean of relatives: 1 / mean(p0 / pt), the mirror of Carli (PPI Manual, chapter 20)."""
    return float(1 / (1 / pair.relatives).mean())


def laspeyres(pair: Pair) -> float:
    """Cost of the base month's quantities: sum(pt q0) / sum(p0 q0) (PPI Manual, chapter 15)."""
    return lowe(pair, pair.quantity_base)


def paasche(pair: Pair) -> float:
    """Cost of the month's own quantities: sum(pt qt) / sum(p0 qt) (PPI Manual, chapter 15)."""
    return lowe(pair, pair.quantity)


def lowe(pair: Pair, basket: FloatArray) -> float:
    """Cost of any basket of quantities q, one per item of the pair: sum(pt q) / sum(p0 q) (PPI Manual, chapter 15)."""
    return _ratio((pair.price * basket).sum(), (pair.price_base * basket).sum())


def fisher(pair: Pair) -> float:
    """Geometric mean of Laspeyres and Paasche: sqrt(L P) (PPI Manual, chapter 15)."""
    return math.sqrt(laspeyres(pair) * paasche(pair))


def tornqvist(pair: Pair) -> float:
    """Relatives weighted by mean shares: exp(sum((s0 + st) / 2 ln(pt / p0))) (PPI Manual, ch. 15)."""
    return float(np.exp((mean_shares(pair) * np.log(pair.relatives)).sum()))


def walsh(pair: Pair) -> float:
    """Cost of the geometric mean quantities: sum(pt sqrt(q0 qt)) / sum(p0 sqrt(q0 qt)) (PPI Manual, ch. 15)."""
    return lowe(pair, np.sqrt(pair.quantity_base * pair.quantity))


FORMULAS: dict[str, Formula] = {
    "dutot": dutot,
    "carli": carli,
    "jevons": jevons,
    "harmonic": harmonic,
    "laspeyres": laspeyres,
    "paasche": paasche,
    "fisher": fisher,
    "tornqvist": tornqvist,
    "walsh": walsh,
}

TIME_REVERSIBLE: tuple[Formula, ...] = (dutot, jevons, fisher, tornqvist, walsh)
"""Formulas whose index from t to 0 is one over the index from 0 to t (PPI Manual, Table 9.2 and chapter 16)."""


def value_shares(price: FloatArray, quantity: FloatArray) -> FloatArray:
    """Each item's share of the value of all; NaN when nothing has a value."""
    value = price * quantity
    total = value.sum()
    return value / total if total > 0 else np.full_like(value, np.nan)


def mean_shares(pair: Pair) -> FloatArray:
    """Mean of an item's value shares in the two months, the weights of Törnqvist."""
    return (value_shares(pair.price_base, pair.quantity_base) + value_shares(pair.price, pair.quantity)) / 2


def compare(panel: Panel, base: int, row: int, formula: Formula) -> float:
    """The index between two months, by their rows; NaN when they have no item in common or its weights are all 0."""
    pair = panel.pair(base, row)
    return formula(pair) if pair.price.size else math.nan


def direct_index(panel: Panel, formula: Formula, base_month: str) -> FloatArray:
    """Every month against the base month, on the items the two have in common: one relative per month of the panel."""
    base = panel.row(base_month)
    return np.array([compare(panel, base, row, formula) for row in range(len(panel.months))])


def chained_index(panel: Panel, formula: Formula) -> FloatArray:
    """Month-to-month indices multiplied up from the first month, each on the items the two months have in common.

    It drifts when prices bounce, and it loses what an item's price did across a gap: for comparison, not for a headline. NaN
    from the first link that cannot be made.
    """
    links = [compare(panel, row - 1, row, formula) for row in range(1, len(panel.months))]
    return np.cumprod(np.array([1.0, *links]))


def lowe_index(panel: Panel, basket: FloatArray, base_month: str) -> FloatArray:
    """Cost of one fixed basket (a quantity per item of the panel) in every month over its cost in the base month.

    Items without a price in either month are left out of that month's comparison; impute first when the basket must stay whole.
    """
    base = panel.row(base_month)
    known = np.isfinite(panel.prices)
    levels = []
    for row in range(len(panel.months)):
        pair = panel.pair(base, row)
        levels.append(lowe(pair, basket[known[base] & known[row]]))
    return np.array(levels)


def _ratio(numerator: float, denominator: float) -> float:
    return float(numerator / denominator) if denominator > 0 else math.nan
