"""How many pieces every plan leaves unfilled, from stock alone."""

from __future__ import annotations

import numpy as np

from pipelines.planner.statement.columns_as_arrays import Ints
from pipelines.planner.statement.problem_arrays import Compiled
from pipelines.planner.statement.shared_stock import supply_of


def least_unfilled(compiled: Compiled) -> int:
    """A number of pieces that every plan leaves unfilled, from stock alone.

    Portions of a colour group count together, each with the stock of one colour as if it were theirs alone; portions that can
    be made up count as filled as far as any component reaches; the others share their stock (a maximum flow).
    """
    need, group = compiled.need, compiled.group
    stock = supply_of(compiled)
    combinations = _combination_supply(compiled, stock)
    direct = compiled.use_combination < 0
    portion, colour = compiled.use_portion[direct], compiled.use_colour[direct]
    most = stock[compiled.use_offer[direct]]
    missing = 0
    for number in np.unique(group[group >= 0]):
        members = np.flatnonzero(group == number)
        inside = group[portion] == number
        colours = np.unique(
            np.concatenate([colour[inside], compiled.combination_colour[group[compiled.combination_portion] == number]])
        )
        short = [
            np.maximum(need[members] - _supply(compiled, members, portion, colour, most, combinations, c), 0).sum()
            for c in colours
        ]
        missing += min(short, default=need[members].sum())
    supply = np.bincount(compiled.combination_portion, combinations, len(need)).astype(np.int64)
    rest = np.where(group >= 0, 0, np.maximum(need - supply, 0))
    return int(missing) + _unfilled_by_flow(rest, portion, compiled.use_offer[direct], stock)


def _supply(
    compiled: Compiled, members: Ints, portion: Ints, colour: Ints, most: Ints, combinations: Ints, needed: int
) -> Ints:
    direct = np.bincount(portion[colour == needed], most[colour == needed], len(compiled.need))
    made = compiled.combination_colour == needed
    made_up = np.bincount(compiled.combination_portion[made], combinations[made], len(compiled.need))
    return (direct + made_up)[members].astype(np.int64)


def _combination_supply(compiled: Compiled, most: Ints) -> Ints:
    """How often each combination could be made if it had its components' stock for itself."""
    made_up = compiled.use_component >= 0
    stock = np.bincount(
        compiled.use_component[made_up],
        most[compiled.use_offer[made_up]],
        len(compiled.component_combination),
    ).astype(np.int64)
    supply = np.full(len(compiled.combination_portion), np.iinfo(np.int64).max)
    np.minimum.at(supply, compiled.component_combination, stock // np.maximum(compiled.component_count, 1))
    return np.minimum(supply, compiled.need[compiled.combination_portion])


def _unfilled_by_flow(need: Ints, portion: Ints, offer: Ints, stock: Ints) -> int:
    """Need that a maximum flow from offers to portions leaves."""
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
    """Fill one portion along augmenting paths, moving other portions to other offers where that helps."""
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
