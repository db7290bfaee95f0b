"""Prices for items that have none in a month.

Carrying the last price forward pulls an index towards "no change" (CPI Manual 2020, 6.61). So a missing price moves with its
class instead. All functions take prices by month (rows) and item (columns), NaN where missing; observed prices stay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.trends.index_numbers.panel import FloatArray

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Imputed:
    """Completed prices, and which of them are imputed; an item without any price stays NaN and is not imputed."""

    prices: FloatArray
    is_imputed: BoolArray


def impute_class_mean(observed: FloatArray, classes: Sequence[str]) -> Imputed:
    """Missing prices moved by the mean change of their class since the month before (class-mean imputation).

    The mean is geometric, over the items of the class that are observed in the month and whose price of the month before is
    known, observed or imputed. Using imputed prices makes the method self-correcting: when an item comes back, its change is
    taken from its imputed price, and its level no longer depends on what was imputed. A class without any observed price, and
    an item of the class "" (unknown), move with all items. If nothing at all was observed, prices stand still.

    Before its first price an item is back-cast by the same changes. So it enters without moving the index. Left out until
    then, it would change the basket from month to month.
    """
    filled = observed.copy()
    names, class_of = np.unique(np.asarray(classes, dtype=str), return_inverse=True)
    changes = np.zeros_like(observed)
    for row in range(1, len(observed)):
        log_change = np.log(observed[row]) - np.log(filled[row - 1])
        changes[row] = _mean_changes(log_change, names, class_of)
        missing = np.isnan(observed[row])
        filled[row, missing] = filled[row - 1, missing] * np.exp(changes[row, missing])
    for row in range(len(observed) - 2, -1, -1):
        missing = np.isnan(filled[row])
        filled[row, missing] = filled[row + 1, missing] / np.exp(changes[row + 1, missing])
    return Imputed(filled, np.isnan(observed) & ~np.isnan(filled))


def impute_overall_mean(observed: FloatArray, basket: FloatArray | None = None) -> Imputed:
    """Missing prices moved by the mean change of all items (overall-mean imputation), self-correcting and back-cast too.

    Args:
        observed: prices by month and item.
        basket: quantities by item. The mean is then the change in cost of the observed items' basket, which equals leaving
            the missing items out of the month's link of a Lowe index. Without it, every item counts alike.
    """
    if basket is None:
        return impute_class_mean(observed, [""] * observed.shape[1])
    filled = observed.copy()
    changes = np.ones(len(observed))
    for row in range(1, len(observed)):
        both = np.isfinite(observed[row]) & np.isfinite(filled[row - 1])
        cost_before = (filled[row - 1, both] * basket[both]).sum()
        if cost_before > 0:
            changes[row] = (observed[row, both] * basket[both]).sum() / cost_before
        filled[row] = np.where(np.isnan(observed[row]), filled[row - 1] * changes[row], observed[row])
    for row in range(len(observed) - 2, -1, -1):
        filled[row] = np.where(np.isnan(filled[row]), filled[row + 1] / changes[row + 1], filled[row])
    return Imputed(filled, np.isnan(observed) & ~np.isnan(filled))


def carry_forward(observed: FloatArray) -> Imputed:
    """Missing prices as last observed; for comparison only, as it hides change (CPI Manual 2020, 6.61)."""
    filled = observed.copy()
    for row in range(1, len(observed)):
        filled[row] = np.where(np.isnan(observed[row]), filled[row - 1], observed[row])
    return Imputed(filled, np.isnan(observed) & ~np.isnan(filled))


def _mean_changes(log_change: FloatArray, names: np.ndarray, class_of: np.ndarray) -> FloatArray:
    """Per item the mean log change of its class, of all items where the class has none, or 0."""
    known = np.isfinite(log_change)
    if not known.any():
        return np.zeros_like(log_change)
    count = np.bincount(class_of[known], minlength=len(names))
    total = np.bincount(class_of[known], weights=log_change[known], minlength=len(names))
    overall = np.full(len(names), log_change[known].mean())
    own = (count > 0) & (names != "")
    found: FloatArray = np.divide(total, count, out=overall, where=own)[class_of]
    return found
