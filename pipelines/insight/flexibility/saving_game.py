"""A cost-saving game whose players are flexible lines: what each saves alone, on top of all others, and as its fair share.

The game knows nothing of markets. It has a table of costs per vendor mix (a column): a fixed cost, and a cost for every set
of players in a block. The cost of a set of players is that of its cheapest column. So thousands of sets are costed at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import factorial

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

EXACT_UP_TO = 14
"""Players with any effect up to which the Shapley value is summed over all sets; at least 12 lines are promised."""
SAMPLED_PAIRS = 256
"""Beyond that, pairs of a random order of joining and its reverse."""
SEED = 20_050_130


@dataclass(frozen=True)
class Block:
    """Players whose costs depend on each other, such as two lines that need the same stock.

    Attributes:
        players: their numbers.
        costs: int64, a row per set of them (bit b of the row number: the b-th is in it), a column per vendor mix.
            A set never costs more than a set that it contains.
    """

    players: tuple[int, ...]
    costs: Ints


@dataclass(frozen=True)
class SavingGame:
    """The cost of every set of players: the least column of the fixed costs plus each block's row.

    Attributes:
        player_count: players, numbered from 0.
        fixed: int64, the cost by vendor mix without any player's portions.
        blocks: every player is in exactly one.
    """

    player_count: int
    fixed: Ints
    blocks: tuple[Block, ...]

    def costs(self, members: Bools) -> Ints:
        """The cost of each set; a row of ``members`` has True for the players in it."""
        return np.asarray(self.totals(members).min(axis=1))

    def totals(self, members: Bools) -> Ints:
        """The cost of each set by vendor mix, a column each."""
        total = np.tile(self.fixed, (len(members), 1))
        for block in self.blocks:
            weights = 1 << np.arange(len(block.players))
            total += block.costs[members[:, list(block.players)] @ weights]
        return total

    def saving(self, members: Bools) -> Ints:
        """What the players of each set save together."""
        return self.fixed_cost - self.costs(members)

    @cached_property
    def fixed_cost(self) -> int:
        """The cost without any player."""
        return int(self.costs(self._nobody)[0])

    @property
    def _nobody(self) -> Bools:
        return np.zeros((1, self.player_count), np.bool_)

    @cached_property
    def total_saving(self) -> int:
        """What all players save together."""
        return int(self.saving(~self._nobody)[0])

    @cached_property
    def alone(self) -> Ints:
        """What each player saves by itself."""
        return self.saving(np.eye(self.player_count, dtype=np.bool_))

    @cached_property
    def last(self) -> Ints:
        """What each player saves on top of all others."""
        return self.total_saving - self.saving(~np.eye(self.player_count, dtype=np.bool_))

    @cached_property
    def _place(self) -> dict[int, tuple[Block, int]]:
        return {player: (block, bit) for block in self.blocks for bit, player in enumerate(block.players)}

    @property
    def joined(self) -> tuple[Ints, Ints, Ints, Ints]:
        """All blocks' rows in one table, so that a step of many sets is one look-up.

        Returns the table; each block's first row; by player its block, and how many rows further its joining leads.
        """
        sizes = np.array([len(block.costs) for block in self.blocks], np.int64)
        starts = np.cumsum(sizes) - sizes
        place, bits = np.zeros((2, self.player_count), np.int64)
        for number, block in enumerate(self.blocks):
            for bit, player in enumerate(block.players):
                place[player], bits[player] = number, 1 << bit
        table = np.concatenate([np.empty((0, len(self.fixed)), np.int64), *(block.costs for block in self.blocks)])
        return table, starts, place, bits

    @cached_property
    def useless(self) -> Bools:
        """Players that change no cost in any vendor mix, whoever else is there."""
        found = np.zeros(self.player_count, np.bool_)
        for player, (block, bit) in self._place.items():
            rows = np.arange(len(block.costs))
            found[player] = np.array_equal(block.costs, block.costs[rows & ~(1 << bit)])
        return found

    @cached_property
    def alike(self) -> list[list[int]]:
        """Players that could change places without any cost changing: alone in their blocks, of equal effect in every column.

        A player in a block of several counts as the only one of its kind.
        """
        groups: dict[tuple[object, ...], list[int]] = {}
        for player, (block, _) in sorted(self._place.items()):
            key = (player,) if len(block.players) > 1 else (-1, (block.costs[0] - block.costs[1]).tobytes())
            groups.setdefault(key, []).append(player)
        return list(groups.values())


@dataclass(frozen=True)
class Shares:
    """Fair shares of the total saving, in the game's unit, and their standard errors (0 where they are exact).

    ``is_exact`` is False where they are means over sampled orders; they add up to the total saving all the same.
    """

    shares: Floats
    errors: Floats
    is_exact: bool


def fair_shares(game: SavingGame, exact_up_to: int = EXACT_UP_TO, pairs: int = SAMPLED_PAIRS) -> Shares:
    """The Shapley value: what a player saves more on average, over all orders in which players may join.

    Source: L. S. Shapley, A value for n-person games, Contributions to the Theory of Games II (1953). Sampled orders come in
    pairs of an order and its reverse, whose mean varies less (antithetic sampling; R. Mitchell, J. Cooper, E. Frank and
    G. Holmes, Sampling permutations for Shapley value estimation, JMLR 23 (2022)). A player without any effect has the share
    0, and players that could change places have equal shares. Both hold for the exact value, so sampling must not blur them.
    """
    working = np.flatnonzero(~game.useless)
    shares, errors = np.zeros(game.player_count), np.zeros(game.player_count)
    if not working.size:
        return Shares(shares, errors, True)
    if working.size <= exact_up_to:
        shares[working] = _exact(game, working)
    else:
        sampled = _sampled(game, working, pairs)
        for group in game.alike:
            sampled[:, group] = sampled[:, group].mean(axis=1, keepdims=True)
        shares = sampled.mean(axis=0)
        errors = sampled.std(axis=0, ddof=1) / np.sqrt(len(sampled))
    return Shares(shares, errors, bool(working.size <= exact_up_to))


def _exact(game: SavingGame, working: Ints) -> Floats:
    many = working.size
    sets = np.arange(1 << many)
    members = np.zeros((sets.size, game.player_count), np.bool_)
    for bit, player in enumerate(working):
        members[:, player] = (sets >> bit) & 1 == 1
    saved = game.saving(members)
    sizes = members.sum(axis=1)
    weight = np.array([factorial(k) * factorial(many - k - 1) / factorial(many) for k in range(many)])
    shares = np.empty(many)
    for bit in range(many):
        without = sets[(sets >> bit) & 1 == 0]
        shares[bit] = (weight[sizes[without]] * (saved[without | (1 << bit)] - saved[without])).sum()
    return shares


def _sampled(game: SavingGame, working: Ints, pairs: int) -> Floats:
    """By pair and player, the mean of what the player adds in an order and in its reverse."""
    draw = np.random.default_rng(SEED)
    forward = np.array([draw.permutation(working) for _ in range(pairs)])
    orders = np.concatenate([forward, forward[:, ::-1]])
    added = np.zeros((len(orders), game.player_count))
    rows = np.arange(len(orders))
    table, starts, place, bits = game.joined
    at = np.tile(starts, (len(orders), 1))
    total = np.tile(game.fixed + table[starts].sum(axis=0), (len(orders), 1))
    cost = total.min(axis=1)
    for step in range(orders.shape[1]):
        player = orders[:, step]
        block, bit = place[player], bits[player]
        before = at[rows, block]
        at[rows, block] = before + bit
        total += table[before + bit] - table[before]
        now = total.min(axis=1)
        added[rows, player] = cost - now
        cost = now
    return (added[:pairs] + added[pairs:]) / 2


def interactions(game: SavingGame, players: Sequence[int]) -> tuple[Ints, Ints]:
    """What two players save together beyond what each saves: first with nobody else there, then with all others there.

    Players that help each other, as two lines that only together make a vendor needless, are above 0 in the first matrix and
    below 0 in the second. Players in each other's way, as two lines that need the same stock, are the reverse. Both matrices
    are symmetric, with zeros on the diagonal.
    """
    many = len(players)
    pairs = [(a, b) for a in range(many) for b in range(a)]
    members = np.zeros((len(pairs), game.player_count), np.bool_)
    for row, (a, b) in enumerate(pairs):
        members[row, [players[a], players[b]]] = True
    chosen = list(players)
    first, last = np.zeros((many, many), np.int64), np.zeros((many, many), np.int64)
    together = game.saving(members)
    without = game.total_saving - game.saving(~members)
    alone, topmost = game.alone[chosen], game.last[chosen]
    for row, (a, b) in enumerate(pairs):
        first[a, b] = first[b, a] = together[row] - alone[a] - alone[b]
        last[a, b] = last[b, a] = without[row] - topmost[a] - topmost[b]
    return first, last
