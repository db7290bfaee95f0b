"""Two-stage indices: plain geometric means of items within groups, weighted means of groups above them.

This is how a consumer price index is usually made: below the group no weights are known, and groups' weights are
price-updated. Groups form a tree: each has a path of codes from the whole down to it, as ("all", "bricks", "bricks/red").
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipelines.trends.index_numbers.panel import FloatArray

Path = tuple[str, ...]


def two_stage_index(
    prices: FloatArray,
    item_groups: Sequence[str],
    group_paths: Mapping[str, Path],
    group_weights: Mapping[str, float],
    impute_gaps: bool = False,
) -> dict[str, FloatArray]:
    """Index of every group and of all that stand above it, month 1 being 1.

    A group's change from month to month is the Jevons index of its items priced in both. Above, changes are arithmetic means with
    price-updated weights (weight times level in the month before). A group in which nothing can be compared takes the change
    of the group above it, and so on upwards. If nothing at all can be compared, all stand still.

    Gaps are left out of the comparison, which loses what a price did across its gap. Or they are imputed by the group's change
    (overall-mean imputation): an item that comes back is compared with its imputed price, and the level corrects itself.
    To carry prices forward instead, do so beforehand (:func:`~pipelines.trends.index_numbers.imputation.carry_forward`).
    (CPI Manual 2020, ch. 6 and 8; checked against the worked example of the R package piar.)

    Args:
        prices: by month and item, NaN where missing.
        item_groups: the group of each item.
        group_paths: by group, the codes from the whole down to the group itself; a code has one parent.
        group_weights: by group, its weight in the first month.
        impute_gaps: whether gaps are imputed.

    Returns:
        By code, relatives by month.
    """
    known = prices.copy()
    groups = np.asarray(item_groups)
    levels = {code: np.ones(len(prices)) for path in group_paths.values() for code in path}
    for row in range(1, len(prices)):
        changes = _changes_of_groups(known[row - 1], prices[row], groups, group_paths)
        weights = {group: weight * levels[group][row - 1] for group, weight in group_weights.items()}
        complete = _completed(changes, group_paths, weights)
        for code in levels:
            levels[code][row] = levels[code][row - 1] * complete[code]
        if impute_gaps:
            change_of_item = np.array([complete[group] for group in groups])
            gap = np.isnan(prices[row])
            known[row, gap] = known[row - 1, gap] * change_of_item[gap]
    return levels


def _changes_of_groups(
    before: FloatArray, now: FloatArray, groups: np.ndarray, group_paths: Mapping[str, Path]
) -> dict[str, float]:
    changes = {}
    for group in group_paths:
        both = (groups == group) & np.isfinite(before) & np.isfinite(now)
        if both.any():
            changes[group] = float(np.exp(np.log(now[both] / before[both]).mean()))
    return changes


def _completed(
    changes: Mapping[str, float], group_paths: Mapping[str, Path], weights: Mapping[str, float]
) -> dict[str, float]:
    """The change of every code: its own, else the weighted mean of the codes below, else that of the code above."""
    weight_of: dict[str, float] = {}
    below: dict[str, list[str]] = {}
    depth_of: dict[str, int] = {}
    for group, path in group_paths.items():
        for depth, code in enumerate(path):
            weight_of[code] = weight_of.get(code, 0.0) + weights[group]
            depth_of[code] = depth
            if depth and code not in below.setdefault(path[depth - 1], []):
                below[path[depth - 1]].append(code)
    found = dict(changes)
    for code in sorted(below, key=lambda code: -depth_of[code]):
        # What is missing below takes this change, too, so leaving it out of the mean is the same.
        known = [child for child in below[code] if child in found]
        if total := sum(weight_of[child] for child in known):
            found[code] = sum(weight_of[child] * found[child] for child in known) / total
    for code in sorted(depth_of, key=lambda code: depth_of[code]):
        found.setdefault(code, 1.0)
        for child in below.get(code, []):
            found.setdefault(child, found[code])
    return found
