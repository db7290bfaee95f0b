"""How many pieces every plan leaves unfilled, because there are no more."""

from __future__ import annotations

import numpy as np

from pipelines.planner.statement.columns_as_arrays import Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.shared_stock import usable_stock


def least_unfilled(arrays: ProblemArrays) -> int:
    """How many pieces every plan leaves unfilled at least, from stock alone.

    Portions that share stock are counted exactly, by a maximum flow. Two cases are counted low, so that the number holds for
    every plan: portions of a colour group, each as if the stock of the group's colour were theirs alone; and portions with
    combinations, as if each combination had its components' stock for itself.
    """
    need, group = arrays.need, arrays.group
    stock = usable_stock(arrays)
    combinations = _combination_supply(arrays, stock)
    direct = arrays.use_combination < 0
    portion, colour = arrays.use_portion[direct], arrays.use_colour[direct]
    most = stock[arrays.use_offer[direct]]
    missing = 0
    for number in np.unique(group[group >= 0]):
        members = np.flatnonzero(group == number)
        inside = group[portion] == number
        colours = np.unique(
            np.concatenate([colour[inside], arrays.combination_colour[group[arrays.combination_portion] == number]])
        )
        short = [
            np.maximum(need[members] - _supply(arrays, members, portion, colour, most, combinations, c), 0).sum()
            for c in colours
        ]
        missing += min(short, default=need[members].sum())
    supply = np.bincount(arrays.combination_portion, combinations, len(need)).astype(np.int64)
    rest = np.where(group >= 0, 0, np.maximum(need - supply, 0))
    return int(missing) + _unfilled_by_flow(rest, portion, arrays.use_offer[direct], stock)


def _supply(
    arrays: ProblemArrays, members: Ints, portion: Ints, colour: Ints, most: Ints, combinations: Ints, needed: int
) -> Ints:
    direct = np.bincount(portion[colour == needed], most[colour == needed], len(arrays.need))
    made = arrays.combination_colour == needed
    made_up = np.bincount(arrays.combination_portion[made], combinations[made], len(arrays.need))
    return (direct + made_up)[members].astype(np.int64)


def _combination_supply(arrays: ProblemArrays, most: Ints) -> Ints:
    """How many of each combination there could be if it had its components' stock for itself."""
    made_up = arrays.use_component >= 0
    stock = np.bincount(
        arrays.use_component[made_up],
        most[arrays.use_offer[made_up]],
        len(arrays.component_combination),
    ).astype(np.int64)
    supply = np.full(len(arrays.combination_portion), np.iinfo(np.int64).max)
    np.minimum.at(supply, arrays.component_combination, stock // np.maximum(arrays.component_count, 1))
    found: Ints = np.minimum(supply, arrays.need[arrays.combination_portion])
    return found


def _unfilled_by_flow(need: Ints, portion: Ints, offer: Ints, stock: Ints) -> int:
    """Pieces of need that a maximum flow from offers to portions leaves.

    Shortest augmenting paths: Edmonds & Karp, Theoretical improvements in algorithmic efficiency for network flow problems,
    J. ACM 19 (1972) 248-264, doi 10.1145/321694.321699.
    """
    needed = need[portion] > 0
    portion, offer = portion[needed], offer[needed]
    alone = np.bincount(offer, minlength=len(stock))[offer] == 1
    supply = np.bincount(portion[alone], stock[offer[alone]], len(need)).astype(np.int64)
    left = np.maximum(need - supply, 0)
    shared = ~alone & (left[portion] > 0)
    stock_left = stock.copy()
    takes: dict[int, list[int]] = {}
    for j, o in zip(portion[shared].tolist(), offer[shared].tolist(), strict=True):
        takes.setdefault(j, []).append(o)
    flow: dict[tuple[int, int], int] = {}
    missing = int(left.sum())
    for j in takes:
        missing -= _augment(j, int(left[j]), takes, flow, stock_left)
    return missing


def _augment(
    first: int, needed: int, takes: dict[int, list[int]], flow: dict[tuple[int, int], int], stock_left: Ints
) -> int:
    """Fill one portion along augmenting paths, which move other portions to other offers; returns its pieces."""
    filled = 0
    holders: dict[int, set[int]] = {}
    for j, o in flow:
        holders.setdefault(o, set()).add(j)
    while filled < needed:
        came_from: dict[tuple[str, int], tuple[str, int]] = {}
        queue: list[tuple[str, int]] = [("portion", first)]
        end = None
        for kind, number in queue:
            if kind == "portion":
                fresh = [("offer", o) for o in takes.get(number, []) if ("offer", o) not in came_from]
            else:
                if stock_left[number] > 0:
                    end = number
                    break
                fresh = [
                    ("portion", j)
                    for j in sorted(holders.get(number, ()))
                    if flow.get((j, number), 0) and j != first and ("portion", j) not in came_from
                ]
            for node in fresh:
                came_from[node] = (kind, number)
            queue += fresh
        if end is None:
            break
        path = [("offer", end)]
        while path[-1] != ("portion", first):
            path.append(came_from[path[-1]])
        amount = min(needed - filled, int(stock_left[end]))
        for (kind, number), (_, other) in zip(path[1:], path[2:], strict=False):
            if kind == "portion":
                amount = min(amount, flow[number, other])
        stock_left[end] -= amount
        for (kind, number), (_, other) in zip(path, path[1:], strict=False):
            edge = (other, number) if kind == "offer" else (number, other)
            flow[edge] = flow.get(edge, 0) + (amount if kind == "offer" else -amount)
            holders.setdefault(edge[1], set()).add(edge[0])
        filled += amount
    return filled
