"""Offers that serve one use, in parts with one price each: whole packs first, then what is left at the price of a whole pack.

A pack costs as much when it is used in part, and price steps have jumps. Of what the pieces used cost, the largest convex
function below is taken: at any price of the portion, the offer gains as much as in whole packs. Its straight stretches become
offers of their own, without packs and steps, so that linear programs state it exactly. The arrays are for bounds alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipelines.planner.statement.columns_as_arrays import Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays


def offers_in_parts(arrays: ProblemArrays) -> ProblemArrays:
    """The arrays with every offer of one use that is sold in packs or at price steps replaced by its parts."""
    in_packs = arrays.is_stepped | (arrays.step_least[arrays.step_start[:-1]] > 1)
    alone = np.bincount(arrays.use_offer, minlength=len(arrays.offer_row)) == 1
    if not (alone & in_packs).any():
        return arrays
    first_step = arrays.step_start[:-1]
    pieces, prices = [[most] for most in arrays.offer_most.tolist()], [[0.0] for _ in arrays.offer_row]
    for offer in np.flatnonzero(alone & in_packs).tolist():
        pieces[offer], prices[offer] = _parts(arrays, offer, range(first_step[offer], arrays.step_start[offer + 1]))
    parts = np.array([len(own) for own in pieces])
    offers = np.repeat(np.arange(len(parts)), parts)
    start = np.cumsum(parts) - parts
    is_split = (alone & in_packs)[offers]
    of_use = parts[arrays.use_offer]
    uses = np.repeat(np.arange(len(arrays.use_offer)), of_use)
    nth = np.arange(len(uses)) - np.repeat(np.cumsum(of_use) - of_use, of_use)
    # An offer that is not split keeps its steps; a part has one.
    steps = np.where(is_split, 1, arrays.step_count[offers])
    step_offer = np.repeat(np.arange(len(offers)), steps)
    within = np.arange(len(step_offer)) - np.repeat(np.cumsum(steps) - steps, steps)
    step = first_step[offers[step_offer]] + within
    of_part = is_split[step_offer]
    most = np.array([number for own in pieces for number in own], np.int64)
    price = np.array([number for own in prices for number in own], np.float64)

    def of_steps(kept: Ints, of_parts: Ints | int) -> Ints:
        return np.where(of_part, of_parts, kept[step]).astype(np.int64)

    return replace(
        arrays,
        **{
            name: getattr(arrays, name)[uses]
            for name in ("use_portion", "use_colour", "use_combination", "use_component", "use_row")
        },
        use_offer=start[arrays.use_offer[uses]] + nth,
        **{
            name: getattr(arrays, name)[offers]
            for name in (
                "offer_row",
                "offer_vendor",
                "offer_want",
                "offer_assortment",
                "offer_element",
                "offer_weight",
                "offer_size_class",
                "is_counted",
            )
        },
        offer_most=most,
        offer_multiple=np.where(is_split, 1, arrays.offer_multiple[offers]),
        step_offer=step_offer,
        step_from=of_steps(arrays.step_from, 1),
        step_least=of_steps(arrays.step_least, 1),
        step_most=of_steps(arrays.step_most, most[step_offer]),
        step_gap=of_steps(arrays.step_gap, 1),
        step_price=np.where(of_part, price[step_offer], arrays.step_price[step]),
        step_base=np.where(of_part, 0.0, arrays.step_base[step]),
        step_base_micro=of_steps(arrays.step_base_micro, 0),
        sharing=None,  # a bound may leave out what several orders with a vendor share
    )


def _parts(arrays: ProblemArrays, offer: int, steps: range) -> tuple[list[int], list[float]]:
    """Pieces and price of each part, cheapest first."""
    want, multiple = int(arrays.offer_want[offer]), int(arrays.offer_multiple[offer])
    points: dict[int, float] = {}
    for step in steps:
        least, most = int(arrays.step_least[step]), int(arrays.step_most[step])
        below = want // multiple * multiple
        for bought in {least, most, *(min(max(pieces, least), most) for pieces in (below, below + multiple))}:
            value, used = float(arrays.step_base[step] + arrays.step_price[step] * bought), min(bought, want)
            points[used] = min(points.get(used, np.inf), value)
    hull = [(0, 0.0)]
    for used, value in sorted(points.items()):
        while len(hull) > 1 and _slope(hull[-2], hull[-1]) >= _slope(hull[-2], (used, value)):
            hull.pop()
        hull.append((used, value))
    stretches = list(zip(hull, hull[1:], strict=False))
    return [after[0] - before[0] for before, after in stretches], [_slope(*stretch) for stretch in stretches]


def _slope(before: tuple[int, float], after: tuple[int, float]) -> float:
    return (after[1] - before[1]) / (after[0] - before[0])
