"""Rows about what flexible lines save, for the generation in which everything holds."""

from decimal import Decimal
from typing import Any

import polars as pl

from schemas.published.flexibility import COLOUR_FLEX_SAVING, FLEXIBILITY_COST, LOOK_FIRST, SUBSTITUTE_SAVING
from schemas.validate import polars_schema

LISTED_COST, FLEXIBLE_COST = Decimal("8.90"), Decimal("7.40")
LINE = {"line_number": 1, "listed_part_code": "00501", "listed_colour_code": "7", "quantity": 6}


def savings_tables(plan: dict[str, Any]) -> dict[str, pl.DataFrame]:
    """Flexible lines of one line that save 1.50: 1.20 by its colour, 0.30 by its form; and two lines nobody has decided."""
    costs = {"none": LISTED_COST, "colour": Decimal("7.60"), "substitutes": Decimal("8.60"), "both": FLEXIBLE_COST}
    counts = {"line_count": 3, "decided_line_count": 1, "decided_share": 1 / 3, "share_basis": "exact"}
    tables = [
        (FLEXIBILITY_COST, [
            {
                **counts, "flexibility_allowed": allowed, "landed_cost": cost, "unfilled_piece_count": 0, "complete_cost": cost,
                "total_saving": LISTED_COST - cost, "saving_low": LISTED_COST - cost, "saving_high": LISTED_COST - cost,
                "is_distinct": allowed != "none", "looked_line_numbers": "", "planned_line_count": 0,
            }
            for allowed, cost in costs.items()
        ]),
        (COLOUR_FLEX_SAVING, [saving_row("alone", "1.50", "1.40"), saving_row("last", "1.10"), saving_row("fair", "1.20")]),
        (SUBSTITUTE_SAVING, [saving_row("fair", "0.30")]),
        (LOOK_FIRST, [look_row(1, 2, "0.80", "0.80", "0.80"), look_row(2, 3, "0.20", "1.00", "1.00")]),
    ]  # fmt: skip
    return {
        contract.name: pl.DataFrame(
            [{name: (plan | row).get(name) for name in contract.columns} for row in rows], polars_schema(contract)
        )
        for contract, rows in tables
    }


def saving_row(view: str, saving: str, low: str | None = None) -> dict[str, Any]:
    """An estimate, or a planned saving that is at least ``low`` and at most what it is."""
    return {
        **LINE, "colour_rule": "any", "saving_view": view, "saving": Decimal(saving), "saving_basis": "planned" if low else "estimated",
        "saving_low": low and Decimal(low), "saving_high": Decimal(saving) if low else None, "is_distinct": bool(low),
        "flexible_line_count": 1, "interplay": "none", "interplay_line_numbers": "",
    }  # fmt: skip


def look_row(rank: int, line: int, added: str, so_far: str, best: str) -> dict[str, Any]:
    return {
        **LINE, "line_number": line, "look_rank": rank, "look_saving": Decimal(added), "added_saving": Decimal(added),
        "look_saving_so_far": Decimal(so_far), "best_look_saving": Decimal(best), "best_line_numbers": "2",
        "is_worth_a_look": True, "look_colour_codes": "8", "fillable_piece_count": 0,
    }  # fmt: skip
