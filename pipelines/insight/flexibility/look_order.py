"""In which order to look at undecided lines, and the best choice of any number of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.insight.flexibility.saving_game import Ints, SavingGame


@dataclass(frozen=True)
class LookOrder:
    """An order in which to look at players, in the game's unit.

    Attributes:
        order: players, the one to look at first in front.
        so_far: by number of players, from 1 on, what these save together.
        mixes: likewise, the vendor mix that is cheapest then.
    """

    order: tuple[int, ...]
    so_far: tuple[int, ...]
    mixes: tuple[int, ...]


def greedy_order(game: SavingGame) -> LookOrder:
    """Next is always the player that saves most on top of those before; of equal ones, the one that saves more alone.

    Players that only save together, as where a vendor becomes needless, each look worthless at first. So the order may be
    worse than the best choice of as many players, which ``best_choices`` gives. Of players alike in all this the first comes first.
    """
    table, at, block, step = game.joined
    total = game.fixed + table[at].sum(axis=0)
    left = np.arange(game.player_count)
    order, so_far, mixes = list[int](), list[int](), list[int]()
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
        mixes.append(int(total.argmin()))
        left = np.delete(left, best)
    return LookOrder(tuple(order), tuple(so_far), tuple(mixes))


@dataclass(frozen=True)
class Choice:
    """The best choice of at most so many players: what it saves, and who they are; nobody where they are not named."""

    saving: int
    players: tuple[int, ...]


def best_choices(game: SavingGame, up_to: int, named_up_to: int | None = None) -> list[Choice]:
    """For 0, 1, ... ``up_to`` players the choice that saves most, exactly; players are named up to ``named_up_to``.

    In one vendor mix the costs of blocks add up. So a dynamic program over blocks (how many players each may have) finds the
    best choice for every number at once. The best over all mixes is the answer; no mixed-integer program is needed.
    """
    up_to = min(up_to, game.player_count)
    named = up_to if named_up_to is None else min(named_up_to, up_to)
    mixes = len(game.fixed)
    cost = np.full((up_to + 1, mixes), np.iinfo(np.int64).max // 4)
    cost[0] = game.fixed
    steps: list[tuple[Ints, Ints]] = []
    for block in game.blocks:
        sizes = np.array([int(row).bit_count() for row in range(len(block.costs))])
        after = np.full_like(cost, np.iinfo(np.int64).max // 4)
        spent, chosen = np.zeros(cost.shape, np.int64), np.zeros(cost.shape, np.int64)
        for size in range(min(len(block.players), up_to) + 1):
            rows = np.flatnonzero(sizes == size)
            row = rows[block.costs[rows].argmin(axis=0)]
            least = block.costs[row, np.arange(mixes)]
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
        mix = int(cost[count].argmin())
        saving = before - int(cost[count, mix])
        if found and saving <= found[-1].saving:
            found.append(found[-1])
            continue
        found.append(Choice(saving, _traced(game, steps, count, mix) if count <= named else ()))
    return found


def _traced(game: SavingGame, steps: list[tuple[Ints, Ints]], count: int, mix: int) -> tuple[int, ...]:
    """The players behind a cost of the dynamic program."""
    players = []
    for block, (spent, chosen) in zip(reversed(game.blocks), reversed(steps), strict=True):
        row = int(chosen[count, mix])
        players += [player for bit, player in enumerate(block.players) if row >> bit & 1]
        count -= int(spent[count, mix])
    return tuple(sorted(players))
