"""How far each stage goes at each effort: one table, in nodes, rounds, sets and iterations, never in seconds."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class SearchEffort:
    """The local search over sets of vendors (search/vendor_sets.py).

    Attributes:
        rounds: neighbourhoods that are tried, at most.
        candidates: vendors that may be added to a set: those that the relaxation uses most.
        sets: best sets that become plans.
        ends_when_filled: the search ends with the first plan that leaves no more unfilled than it must.
    """

    rounds: int
    candidates: int
    sets: int
    ends_when_filled: bool = False


@dataclass(frozen=True)
class WholeEffort:
    """The whole program (stages.py).

    Attributes:
        up_to: it is solved where plans can still need at most so many uses and price steps.
        nodes: of its tree, at most.
    """

    up_to: float
    nodes: int


@dataclass(frozen=True)
class MarketEffort:
    """Markets of hundreds of vendors (whole_market.py).

    Attributes:
        restarts: of the search over sets of vendors.
        sets: best sets that become plans.
        plans: where vendors have thresholds, plans that are made at most to search by what plans cost.
        work: of linear programs below the root, as ``VendorRelaxation.work`` counts it.
    """

    restarts: int
    sets: int
    plans: int
    work: int


@dataclass(frozen=True)
class Effort:
    """How far all stages go.

    Attributes:
        branching_nodes: of the tree on the relaxation, at most; 0 for none.
    """

    search: SearchEffort
    branching_nodes: int
    whole: WholeEffort
    market: MarketEffort


EFFORTS = {
    "quick": Effort(
        search=SearchEffort(rounds=8, candidates=12, sets=1, ends_when_filled=True),
        branching_nodes=0,
        whole=WholeEffort(up_to=300, nodes=20_000),
        market=MarketEffort(restarts=0, sets=1, plans=0, work=0),
    ),
    "standard": Effort(
        search=SearchEffort(rounds=15, candidates=20, sets=4),
        branching_nodes=300,
        whole=WholeEffort(up_to=800, nodes=1_000),
        market=MarketEffort(restarts=40, sets=8, plans=60, work=600_000),
    ),
    "deep": Effort(
        search=SearchEffort(rounds=100, candidates=60, sets=12),
        branching_nodes=20_000,
        whole=WholeEffort(up_to=math.inf, nodes=100_000),
        market=MarketEffort(restarts=60, sets=12, plans=400, work=2_400_000),
    ),
}
