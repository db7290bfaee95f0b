"""Which undecided lines to look at first: an order that is good at every point, and for each number of lines the best choice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.insight.flexibility.saving_game import Game, Ints


@dataclass(frozen=True)
class Looks:
    """An order of looking, in the game's unit.

    Attributes:
        order: players, the one to look at first in front.
        so_far: by number of players looked at, from 1 on, what freeing those saves.
        ways: likewise, the way of buying that is cheapest then.
    """

    order: tuple[int, ...]
    so_far: tuple[int, ...]
    ways: tuple[int, ...]


def greedy_order(game: Game) -> Looks:
    """Always the player next that saves most on top of those before; of equal ones the one that saves more alone, then the first.

    Where the next players only save together (a vendor fewer), each counts alone first; so the order may be worse than the best
    choice of as many players, which ``best_choices`` gives.
    """
    table, at, block, step = game.joined
    total = game.fixed + table[at].sum(axis=0)
    left = np.arange(game.player_count)
    order, so_far, ways = list[int](), list[int](), list[int]()
    alone = game.alone
    while left.size:
        row = at[block[left]]
        with_each = total + table[row + step[left]] - table[row]
        cost = with_each.min(axis=1)
        best = int(np.lexsort((left, -alone[left], cost))[0])
        player = int(left[best])
        at[block[player]] += step[player]
        total = with_each[best]
        order.append(player)
        so_far.append(game.fixed_cost - int(cost[best]))
        ways.append(int(total.argmin()))
        left = np.delete(left, best)
    return Looks(tuple(order), tuple(so_far), tuple(ways))


@dataclass(frozen=True)
class Choice:
    """The best choice of at most so many players: what it saves, and who they are, in order; nobody where they are not named."""

    saving: int
    players: tuple[int, ...]


def best_choices(game: Game, up_to: int, named_up_to: int | None = None) -> list[Choice]:
    """For 0, 1, ... ``up_to`` players the choice that saves most. Exact. Its players are named for ``named_up_to`` at most.

    In one way of buying the blocks add up, so that a dynamic program over blocks (how many players each may have) finds the best
    choice for every number at once; the best way of buying is the best of these. No mixed-integer program is needed.
    """
    up_to = min(up_to, game.player_count)
    named = up_to if named_up_to is None else min(named_up_to, up_to)
    ways = len(game.fixed)
    cost = np.full((up_to + 1, ways), np.iinfo(np.int64).max // 4)
    cost[0] = game.fixed
    steps: list[tuple[Ints, Ints]] = []
    for block in game.blocks:
        sizes = np.array([int(row).bit_count() for row in range(len(block.costs))])
        after = np.full_like(cost, np.iinfo(np.int64).max // 4)
        spent, chosen = np.zeros(cost.shape, np.int64), np.zeros(cost.shape, np.int64)
        for size in range(min(len(block.players), up_to) + 1):
            rows = np.flatnonzero(sizes == size)
            row = rows[block.costs[rows].argmin(axis=0)]
            least = block.costs[row, np.arange(ways)]
            trial = cost[: up_to + 1 - size] + least
            is_better = trial < after[size:]
            after[size:] = np.where(is_better, trial, after[size:])
            spent[size:] = np.where(is_better, size, spent[size:])
            chosen[size:] = np.where(is_better, row, chosen[size:])
        cost = after
        # Only what is needed to name players is kept: for models of thousands of lines the rest would fill the memory.
        steps.append((spent[: named + 1].copy(), chosen[: named + 1].copy()))
    before = int(game.fixed_cost)
    found: list[Choice] = []
    for count in range(up_to + 1):
        way = int(cost[count].argmin())
        saving = before - int(cost[count, way])
        if found and saving <= found[-1].saving:
            found.append(found[-1])
            continue
        found.append(Choice(saving, _traced(game, steps, count, way) if count <= named else ()))
    return found


def _traced(game: Game, steps: list[tuple[Ints, Ints]], count: int, way: int) -> tuple[int, ...]:
    """The players behind a cost of the dynamic program."""
    players = []
    for block, (spent, chosen) in zip(reversed(game.blocks), reversed(steps), strict=True):
        row = int(chosen[count, way])
        players += [player for bit, player in enumerate(block.players) if row >> bit & 1]
        count -= int(spent[count, way])
    return tuple(sorted(players))
