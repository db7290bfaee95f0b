"""How flexible lines change what other flexible lines save."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from pipelines.insight.flexibility.portion_costs import Flexibility, PortionCosts
from pipelines.insight.flexibility.saving_game import SavingGame, Shares, interactions

INTERPLAY_AMONG, INTERPLAY_FROM, INTERPLAY_NAMED = 20, 5, 3
"""Players compared in pairs; smallest currency units from which an effect is shown; lines named."""


def interplays(
    game: SavingGame,
    shares: Shares,
    players: Sequence[Flexibility],
    costs: PortionCosts,
    proportion: Fraction,
    digits: int,
) -> dict[int | None, tuple[str, str]]:
    """By player, how others change what it saves and which lines do so most; only for the largest shares.

    Args:
        game: whose players these are.
        shares: of the game.
        players: by number.
        costs: which say what lines a player is about.
        proportion: currency for one unit of the game.
        digits: the currency's decimals.
    """
    ranked = sorted(range(game.player_count), key=lambda number: (-shares.shares[number], number))
    top = [number for number in ranked[:INTERPLAY_AMONG] if shares.shares[number] > 0]
    if len(top) < 2:
        return {}
    effects = [abs(matrix) for matrix in interactions(game, top)]
    strongest = effects[0] + effects[1]
    least = Fraction(INTERPLAY_FROM, 10**digits)
    in_block = {player: number for number, block in enumerate(game.blocks) for player in block.players}
    found: dict[int | None, tuple[str, str]] = {}
    for row, number in enumerate(top):
        others = [at for at in range(len(top)) if strongest[row, at] * proportion >= least]
        others.sort(key=lambda at: (-strongest[row, at], top[at]))
        if not others:
            continue
        partner = top[others[0]]
        kind = "stock" if in_block[partner] == in_block[number] else "vendor"
        lines = {line for at in others[:INTERPLAY_NAMED] for line in costs.lines_of(players[top[at]])}
        lines -= set(costs.lines_of(players[number]))
        if lines:
            found[number] = kind, ";".join(map(str, sorted(lines)[:INTERPLAY_NAMED]))
    return found
