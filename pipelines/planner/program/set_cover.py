"""A set cover solved whole: the cheapest members that give every set as many as it needs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from pipelines.planner.program import linear

MOST_NODES = 10_000


def cheapest_cover(costs: Sequence[float], sets: Iterable[tuple[int, Sequence[int]]]) -> list[int] | None:
    """The numbers of the cheapest members that cover all sets, rising; None if the program has no answer.

    Args:
        costs: by member.
        sets: how many members each needs, and the numbers of those that count for it.
    """
    builder = linear.ProgramBuilder()
    column = builder.columns(len(costs), cost=list(costs), upper=1.0, integer=True)
    for needed, members in sets:
        (row,) = builder.rows(1, lower=needed)
        builder.entries(row, column[list(members)], 1.0)
    outcome = linear.solve(builder.program(), {"mip_rel_gap": 0.0, "mip_max_nodes": MOST_NODES})
    return None if outcome.values is None else np.flatnonzero(outcome.values > 0.5).tolist()
