"""The look-first list of a model: its undecided lines in the order in which to look at them."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.insight.flexibility.look_order import best_choices, greedy_order
from pipelines.insight.flexibility.model_games import ModelGames
from pipelines.insight.flexibility.portion_costs import Flexibility
from pipelines.insight.flexibility.priced_uses import COLOUR
from pipelines.insight.flexibility.vendor_mixes import MILLION
from pipelines.money import round_half_up

CHOICES_NAMED = 25
"""Numbers of lines up to which the lines of the best choice are named."""
WORTH_A_LOOK = 10
"""A line is worth a look from a saving of so many of the currency's smallest units."""


class LookFirstList:
    """Ranks a model's undecided lines by what they could save if they may take any colour of their finish.

    Args:
        games: of the model.
        allowed: the flexibility that counts already.
        portions: PORTIONS_SCHEMA of model_portions.py.
        unfilled: the flexible plan's rows of unfilled_line.
        digits: the currency's decimals.
    """

    def __init__(
        self,
        games: ModelGames,
        allowed: Sequence[Flexibility],
        portions: pl.DataFrame,
        unfilled: pl.DataFrame,
        digits: int,
    ) -> None:
        self.games, self.allowed, self.digits = games, allowed, digits
        own = portions.filter((pl.col("colour_rule") == "undecided") & (pl.col("portion_source") == "designer"))
        names = ("line_number", "listed_part_code", "listed_colour_code")
        lines = own.group_by(names, maintain_order=True).agg(pl.col("quantity").sum()).sort("line_number")
        self._lines: dict[int, dict[str, Any]] = {row["line_number"]: row for row in lines.iter_rows(named=True)}
        missing = unfilled.group_by("line_number").agg(pl.col("unfilled_piece_count").sum())
        self._missing: dict[int, int] = dict(missing.iter_rows())

    def rows(self) -> list[dict[str, Any]]:
        """LOOK_FIRST without the plan's key: the greedy order, then the lines of which no other colour is on offer."""
        players = self.games.costs.undecided
        game = self.games.game(players, self.allowed)
        looks, choices = greedy_order(game), best_choices(game, game.player_count, CHOICES_NAMED)
        rows: list[dict[str, Any]] = []
        before = 0
        for rank, (player, so_far, mix) in enumerate(zip(looks.order, looks.so_far, looks.mixes, strict=True), start=1):
            line, best = players[player][0], choices[rank]
            most = max(int(game.alone[player]), so_far - before)
            flexible = {*self.allowed, self.games.costs.flexibility(line, COLOUR)}
            rows.append(
                {
                    **self._lines[line],
                    "look_rank": rank,
                    "look_saving": self._money(int(game.alone[player])),
                    "added_saving": self._money(so_far) - self._money(before),
                    "look_saving_so_far": self._money(so_far),
                    "best_look_saving": self._money(best.saving),
                    "best_line_numbers": ";".join(str(players[each][0]) for each in best.players)
                    if rank <= CHOICES_NAMED
                    else "",
                    "is_worth_a_look": Fraction(most, MILLION) >= Fraction(WORTH_A_LOOK, 10**self.digits),
                    "look_colour_codes": ";".join(self.games.colours_bought(line, flexible, mix)),
                    "fillable_piece_count": self._fillable(line),
                }
            )
            before = so_far
        ranked = {row["line_number"] for row in rows}
        unsold = [row for line, row in self._lines.items() if line not in ranked]
        nothing = {
            "look_saving": Decimal(0), "added_saving": Decimal(0), "look_saving_so_far": self._money(before),
            "best_look_saving": self._money(before), "best_line_numbers": "", "is_worth_a_look": False,
            "look_colour_codes": "", "fillable_piece_count": 0,
        }  # fmt: skip
        return rows + [{**row, "look_rank": rank, **nothing} for rank, row in enumerate(unsold, start=len(rows) + 1)]

    def _money(self, amount: int) -> Decimal:
        return round_half_up(Fraction(amount, MILLION), self.digits)

    def _fillable(self, line: int) -> int:
        """Pieces of a line that the plan lacks and that other colours could fill."""
        missing = self._missing.get(line, 0)
        return min(missing, self.games.pieces_in_other_colours(line)) if missing else 0
