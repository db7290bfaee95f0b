"""Price indices that compare all months of a window at once and so cannot drift within it.

Each takes a :class:`~pipelines.trends.index_numbers.Panel` (the window) and gives one relative per month, base month 1, NaN for a
month that no item ties to the base month. Adding a month to the window revises all of them; joining windows is not done here.
"""

from __future__ import annotations

import numpy as np

from pipelines.trends.index_numbers import (
    TIME_REVERSIBLE,
    FloatArray,
    Formula,
    Panel,
    compare,
    tornqvist,
    value_shares,
)


def geks(panel: Panel, formula: Formula = tornqvist, base_month: str | None = None) -> FloatArray:
    """GEKS: the geometric mean, over all months l of the window, of the index from the base to t by way of l.

    ln I(t) = mean over l of [ln X(l, t) - ln X(l, 0)], X the bilateral formula (Ivancic, Diewert and Fox 2011; with
    Törnqvist also called CCDI, and the choice of the Australian and British statistical offices: ABS 2017, ONS 2022). Months l that share no item with t or with the base are left out of the mean.
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
    return np.exp(np.divide(total, count, out=levels, where=count > 0))


def time_product_dummy(panel: Panel, base_month: str | None = None) -> FloatArray:
    """Weighted time-product-dummy index: exp(a_t) of the regression ln p_it = a_t + b_i, weighted by value shares.

    The share of item i in month t is p_it q_it over the value of month t (Diewert and Fox 2017). The
    item effects b_i are swept out, which leaves one linear equation per month.
    """
    base = 0 if base_month is None else panel.row(base_month)
    known = np.isfinite(panel.prices)
    prices = np.where(known, panel.prices, 1.0)
    weights = np.array(
        [value_shares(p, q) for p, q in zip(prices, np.where(known, panel.quantities, 0.0), strict=True)]
    )
    weights = np.nan_to_num(weights)
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
    return 1 / solved


def _log_comparisons(panel: Panel, formula: Formula) -> FloatArray:
    """ln X(l, t) for all months l (rows) and t (columns); NaN where two months share nothing."""
    count = len(panel.months)
    logs = np.zeros((count, count))
    for first in range(count):
        for second in range(first + 1, count):
            logs[first, second] = np.log(compare(panel, first, second, formula))
    return logs - logs.T


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
