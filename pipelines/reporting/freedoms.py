"""What the freedoms of colour and form save, and how much of it a page may name."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import polars as pl

from pipelines.reporting.costs import NOT_TOLD_APART, saved
from pipelines.reporting.facts import Facts, ReportedModel, saving
from pipelines.reporting.tables import Table, columns, count, money
from pipelines.reporting.words import COLOUR_RULES
from pipelines.settings import Buyer
from schemas.savings import COLOUR_FLEX_SAVING

TOP_COUNT = 5
"""Freedoms named where a model publishes some of its lines."""


@dataclass(frozen=True)
class Freedoms:
    """Sentences on all freedoms together, and the lines that may be named (None where none may be, or none pays)."""

    words: tuple[str, ...]
    table: Table | None


@dataclass(frozen=True)
class _Line:
    number: int
    part_code: str
    colour_code: str
    rule: str
    quantity: int
    saving: Decimal
    is_told_apart: bool

    @property
    def pays(self) -> bool:
        return self.is_told_apart and self.saving > 0


def freedoms_of(facts: Facts, model: ReportedModel, buyer: Buyer, *, in_full: bool = False) -> Freedoms:
    """The freedoms of a model for a buyer, today.

    Args:
        in_full: name every line, whatever the model publishes; for pages that are not published.
    """
    lines = _lines(facts, model.code, buyer.buyer_code)
    paying = [line for line in lines if line.pays]
    table = None
    if in_full:
        table = _table(facts, lines, "What each colour freedom saves", buyer, in_full=True)
    elif model.publish_lines == "all":
        table = _table(facts, paying, "Colour freedoms that save money", buyer)
    elif model.publish_lines == "some":
        table = _table(facts, paying[:TOP_COUNT], "Colour freedoms that save most", buyer)
    return Freedoms(tuple(_words(facts, model.code, buyer, lines, table)), table)


def _words(facts: Facts, model_code: str, buyer: Buyer, lines: list[_Line], table: Table | None) -> list[str]:
    told = []
    listed = facts.plan(model_code, buyer.buyer_code, "listed")
    freed = facts.plan(model_code, buyer.buyer_code, "freed")
    together = saving(listed, freed) if freed is not None else None
    if together is not None:
        if not together.is_told_apart:
            told.append("Together the freedoms make no difference that can be told apart from how exact the plans are.")
        elif together.amount > 0:
            told.append(
                f"Together the freedoms of colour and form save {saved(together, buyer.currency_code, with_code=True)}."
            )
        else:
            told.append("Together the freedoms of colour and form save nothing today.")
    if lines:
        told.append(_line_words(lines))
    if table is not None:
        told.append("Savings of single lines overlap, so they do not add up to the saving of all together.")
    return told


def _line_words(lines: list[_Line]) -> str:
    """How many lines save something on top of the others."""
    paying = sum(line.pays for line in lines)
    unclear = sum(not line.is_told_apart for line in lines)
    if not paying:
        kind = (
            "an amount that can be told apart from how exact the plans are" if unclear else "money on top of the others"
        )
        return f"Of {count(len(lines), 'line')} with a colour freedom, none saves {kind}."
    words = f"{count(paying)} of {count(len(lines), 'line')} with a colour freedom {'saves' if paying == 1 else 'save'} money"
    return words + (f"; {count(unclear)} can't be told apart from nothing." if unclear else ".")


def _lines(facts: Facts, model_code: str, buyer_code: str) -> list[_Line]:
    """Lines by what they save on top of all others, most first."""
    rows = facts.todays(COLOUR_FLEX_SAVING).filter(
        (pl.col("model_code") == model_code) & (pl.col("buyer_code") == buyer_code) & (pl.col("saving_view") == "last")
    )
    given = set(rows["scenario_code"].unique())
    scenario = next((code for code in ("freed", "best", *facts.scenarios) if code in given), None)
    found = [
        _Line(
            row["line_number"],
            row["listed_part_code"],
            row["listed_colour_code"],
            row["colour_rule"],
            row["quantity"],
            row["saving"],
            row["is_told_apart"],
        )
        for row in rows.filter(pl.col("scenario_code") == scenario).iter_rows(named=True)
    ]
    return sorted(found, key=lambda line: (not line.pays, -line.saving, line.number))


def _table(facts: Facts, lines: list[_Line], caption: str, buyer: Buyer, *, in_full: bool = False) -> Table | None:
    if not lines:
        return None
    rows = tuple(
        (
            f"{facts.part_name(line.part_code)}, {facts.colour_name(line.colour_code)}",
            COLOUR_RULES[line.rule],
            count(line.quantity),
            _told(line, buyer.currency_code, in_full),
        )
        for line in lines
    )
    headings = columns("Listed as", "Allowed", "#Pieces", "#Saves on top of the others")
    return Table(f"{caption}, in {buyer.currency_code}", headings, rows, is_stacked=True)


def _told(line: _Line, currency_code: str, in_full: bool) -> str:
    """The saving; what can't be told apart has no figure where readers could take it for one."""
    if line.is_told_apart:
        return money(line.saving, currency_code)
    return f"{NOT_TOLD_APART} ({money(line.saving, currency_code)})" if in_full and line.saving else NOT_TOLD_APART
