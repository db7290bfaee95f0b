"""Fair shares of a common cost: the Shapley value, or in proportion."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from fractions import Fraction
from itertools import combinations
from math import factorial
from typing import TypeVar

Player = TypeVar("Player", bound=Hashable)


def shapley_shares(players: Sequence[Player], cost: Mapping[frozenset[Player], Fraction]) -> list[Fraction]:
    """Each player's share: what it adds to the cost on average over all orders in which players may join.

    Shares add up to the cost of all. A player that adds nothing pays nothing. Players that add the same pay the same.
    Source: L. S. Shapley, A value for n-person games, Contributions to the Theory of Games II (1953).

    Args:
        players: who shares.
        cost: of every set of players but the empty one, which costs nothing.
    """
    many = len(players)
    costs = {**cost, frozenset[Player](): Fraction(0)}
    shares = []
    for player in players:
        others = [other for other in players if other != player]
        share = Fraction(0)
        for size in range(many):
            weight = Fraction(factorial(size) * factorial(many - size - 1), factorial(many))
            for joined in combinations(others, size):
                before = frozenset(joined)
                share += weight * (costs[before | {player}] - costs[before])
        shares.append(share)
    return shares


def proportional_shares(parts: Sequence[Fraction], total: Fraction) -> list[Fraction]:
    """The total in proportion to the parts, none of which is negative; in equal shares where all parts are 0."""
    whole = sum(parts, Fraction(0))
    return [total * part / whole if whole else total / len(parts) for part in parts]
