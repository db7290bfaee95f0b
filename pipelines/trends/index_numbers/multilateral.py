"""Price indices that compare all months of a window at once and so cannot drift within it.

Each takes a :class:`~pipelines.trends.index_numbers.panel.Panel` (the window) and returns one relative per month, the base
month being 1. A month that no item ties to the base month is NaN. Adding a month to the window revises all months; how
windows are joined is in splicing.
"""

from __future__ import annotations

import numpy as np

from pipelines.trends.index_numbers.bilateral import (
    TIME_REVERSIBLE,
    Formula,
    dutot,
    jevons,
    tornqvist,
    value_shares,
    walsh,
)
from pipelines.trends.index_numbers.panel import FloatArray, Panel


def geks(panel: Panel, formula: Formula = tornqvist, base_month: str | None = None) -> FloatArray:
    """GEKS: the geometric mean, over all months l of the window, of the index from the base to t by way of l.

    ln I(t) = mean over l of [ln X(l, t) - ln X(l, 0)], X the bilateral formula (Ivancic, Diewert and Fox 2011; with
    Törnqvist also called CCDI, and the choice of the Australian and British statistical offices: ABS 2017, ONS 2022). Months l
    that share no item with t or with the base are left out of the mean.
    Known weakness: items that leave at clearance prices bias it downwards unless their successors are linked (Lamboray and
    Krsinich 2016).

    Args:
        panel: the window.
        formula: the bilateral index; it must pass time reversal.
        base_month: the month that is 1; the first of the window if None.

    Raises:
        ValueError: the formula fails time reversal, or the window lacks the base month.
    """
    if formula not in TIME_REVERSIBLE:
        raise ValueError("GEKS needs a formula that passes time reversal")
    base = 0 if base_month is None else panel.row(base_month)
    logs = _log_comparisons(panel, formula)
    through = logs - logs[:, [base]]
    known = np.isfinite(through)
    count = known.sum(axis=0)
    total = np.where(known, through, 0.0).sum(axis=0)
    levels = np.full(len(panel.months), np.nan)
    found: FloatArray = np.exp(np.divide(total, count, out=levels, where=count > 0))
    return found


def time_product_dummy(panel: Panel, base_month: str | None = None, is_weighted: bool = True) -> FloatArray:
    """Time-product-dummy index: exp(a_t) of the regression ln p_it = a_t + b_i, weighted by value shares or not at all.

    The share of item i in month t is p_it q_it over the value of month t (Diewert and Fox 2017); without weights every price
    counts alike. The item effects b_i are swept out, which leaves one linear equation per month.
    """
    base = 0 if base_month is None else panel.row(base_month)
    known = np.isfinite(panel.prices)
    prices = np.where(known, panel.prices, 1.0)
    quantities = np.where(known, panel.quantities, 0.0)
    shares = np.array([value_shares(p, q) for p, q in zip(prices, quantities, strict=True)])
    weights = np.nan_to_num(shares) if is_weighted else known.astype(np.float64)
    of_item = weights.sum(axis=0)
    within = np.divide(weights, of_item, out=np.zeros_like(weights), where=of_item > 0)
    equations = np.diag(weights.sum(axis=1)) - weights @ within.T
    logs = np.log(prices)
    right = (weights * (logs - (within * logs).sum(axis=0))).sum(axis=1)
    solved = _solve_from_base(equations, right, base, _tied_to(weights > 0, base), at_base=0.0)
    return np.exp(solved)


def geary_khamis(panel: Panel, base_month: str | None = None) -> FloatArray:
    """Geary-Khamis index: each month's value over its quantities valued at the window's own mean prices.

    v_i = sum_t(p_it q_it / I_t) / sum_t q_it and I_t proportional to sum_i p_it q_it / sum_i v_i q_it (Diewert and Fox
    2017). Putting the first into the second gives a linear system in 1 / I_t, solved here directly instead of by iteration.
    """
    base = 0 if base_month is None else panel.row(base_month)
    known = np.isfinite(panel.prices)
    quantities = np.where(known, panel.quantities, 0.0)
    values = np.where(known, panel.prices, 0.0) * quantities
    of_item, of_month = quantities.sum(axis=0), values.sum(axis=1)
    per_piece = np.divide(values, of_item, out=np.zeros_like(values), where=of_item > 0)
    per_value = np.divide(quantities, of_month[:, None], out=np.zeros_like(values), where=of_month[:, None] > 0)
    equations = np.eye(len(panel.months)) - per_value @ per_piece.T
    solved = _solve_from_base(equations, np.zeros(len(panel.months)), base, _tied_to(values > 0, base), at_base=1.0)
    # Quantities that differ by 16 digits leave nothing of the system but rounding: no level then, rather than a negative one.
    return np.divide(1.0, solved, out=np.full_like(solved, np.nan), where=solved > 0)


def _log_comparisons(panel: Panel, formula: Formula) -> FloatArray:
    """ln X(l, t) for all months l (rows) and t (columns); NaN where two months share nothing of any weight.

    Sums over the items that two months share are products of matrices here, because every formula allowed is one of such sums.
    Zeros stand where an item has no price, so that it adds nothing.
    """
    known = np.isfinite(panel.prices)
    prices = np.where(known, panel.prices, 0.0)
    quantities = np.where(known, panel.quantities, 0.0)
    present = known.astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        if formula in (tornqvist, jevons):
            weights = prices * quantities if formula is tornqvist else present
            logs = np.log(np.where(known, prices, 1.0))
            # Mean of ln p_t - ln p_l over the shared items, weighted as in month l; half of Törnqvist's exponent.
            forward = (weights @ logs.T - (weights * logs) @ present.T) / (weights @ present.T)
            compared = (forward - forward.T) / 2
        else:
            # X(l, t) = cost in t of a basket of l over its cost in l; Fisher adds the basket of t by its transpose.
            basket = present if formula is dutot else np.sqrt(quantities) if formula is walsh else quantities
            of_month = basket if formula is walsh else present
            priced = prices * of_month if formula is walsh else prices
            cost = np.log(basket @ priced.T) - np.log((prices * basket) @ of_month.T)
            compared = (cost - cost.T) / 2
    return np.where(np.isfinite(compared), compared, np.nan)


def _tied_to(present: np.ndarray, base: int) -> np.ndarray:
    """Months that a chain of shared items ties to the base month; elsewhere an index would be arbitrary."""
    shares_item = present.astype(np.int64) @ present.T.astype(np.int64) > 0
    tied = np.zeros(len(present), dtype=bool)
    tied[base] = present[base].any()
    while True:
        wider = tied | shares_item[tied].any(axis=0)
        if (wider == tied).all():
            return wider
        tied = wider


def _solve_from_base(
    equations: FloatArray, right: FloatArray, base: int, tied: np.ndarray, at_base: float
) -> FloatArray:
    """Solve the equations of the tied months other than the base, whose own value is given; NaN for the others."""
    solved = np.full(len(right), np.nan)
    if not tied[base]:
        return solved
    solved[base] = at_base
    unknown = tied.copy()
    unknown[base] = False
    solved[unknown] = np.linalg.solve(
        equations[np.ix_(unknown, unknown)], right[unknown] - equations[unknown, base] * at_base
    )
    return solved
