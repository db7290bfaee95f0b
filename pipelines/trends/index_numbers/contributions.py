"""What each item adds to a change of an index; contributions add up to the change without a remainder.

They are fractions of the index (0.01 is one per cent), one per item.
"""

from __future__ import annotations

import numpy as np

from pipelines.trends.index_numbers.bilateral import laspeyres, mean_shares, paasche, value_shares
from pipelines.trends.index_numbers.panel import FloatArray, Pair


def lowe_contributions(price_before: FloatArray, price: FloatArray, basket: FloatArray) -> FloatArray:
    """Contributions to the change of a Lowe index between two months: q (p_t - p_{t-1}) / sum(p_{t-1} q).

    It equals the price-updated weight times the item's relative change, w (r_t - r_{t-1}) / I_{t-1} with base-month shares w.
    Imputed prices contribute like any other: flag them, so that a reader sees what was not observed.
    """
    found: FloatArray = basket * (price - price_before) / (price_before * basket).sum()
    return found


def laspeyres_contributions(pair: Pair) -> FloatArray:
    """Contributions to a Laspeyres index less 1: s0 (pt / p0 - 1)."""
    return value_shares(pair.price_base, pair.quantity_base) * (pair.relatives - 1)


def jevons_contributions(pair: Pair) -> FloatArray:
    """Contributions to a Jevons index less 1, every item with equal weight."""
    return geometric_contributions(pair.relatives, np.full(pair.relatives.size, 1 / pair.relatives.size))


def tornqvist_contributions(pair: Pair) -> FloatArray:
    """Contributions to a Törnqvist index less 1."""
    return geometric_contributions(pair.relatives, mean_shares(pair))


def geometric_contributions(relatives: FloatArray, weights: FloatArray) -> FloatArray:
    """Contributions v (r - 1) to a weighted geometric mean I of relatives r less 1.

    The weights v turn the geometric mean into an arithmetic one: proportional to w / L(r, I), L the logarithmic mean (Balk 2008,
    section 4.2; Reinsdorf, Diewert and Ehemann 2002).
    """
    index = np.exp((weights * np.log(relatives)).sum())
    arithmetic = weights / _logarithmic_mean(relatives, index)
    found: FloatArray = arithmetic / arithmetic.sum() * (relatives - 1)
    return found


def fisher_contributions(pair: Pair) -> FloatArray:
    """Contributions to a Fisher price index less 1 by van IJzeren's decomposition (Balk 2008, section 4.2.2).

    A mean of the weights p0 q0 and p0 qt, shared in the ratio of the Fisher to the Laspeyres quantity index.
    """
    quantity_laspeyres = (pair.price_base * pair.quantity).sum() / (pair.price_base * pair.quantity_base).sum()
    quantity_fisher = quantity_laspeyres * np.sqrt(paasche(pair) / laspeyres(pair))
    of_base = quantity_fisher / (quantity_fisher + quantity_laspeyres)
    weights = of_base * value_shares(pair.price_base, pair.quantity_base)
    weights += (1 - of_base) * value_shares(pair.price_base, pair.quantity)
    found: FloatArray = weights * (pair.relatives - 1)
    return found


def _logarithmic_mean(first: FloatArray, second: float) -> FloatArray:
    """(a - b) / (ln a - ln b), and a where the two are equal."""
    log_ratio = np.log(first / second)
    near = np.abs(log_ratio) < 1e-6
    # Close to equality the quotient loses its digits; its series b (1 + x/2 + x^2/6) is exact to 1e-18 there.
    series = second * (1 + log_ratio / 2 + log_ratio**2 / 6)
    return np.divide(first - second, log_ratio, out=series, where=~near)
