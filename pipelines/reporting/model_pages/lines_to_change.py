"""The lines of a model that are cheaper in another colour or form: from what to what, what each saves, and why it is safe."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import polars as pl
from markupsafe import Markup

from pipelines.inputs import decisions_on
from pipelines.money import Interval
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, saving
from pipelines.reporting.basis.page_tables import Cell, Drawing, Table, columns, count, ends, money
from pipelines.reporting.basis.words import COLOUR_RULES, ESTIMATED_MARK, NO_CLEAR_SAVING, listed_words
from pipelines.reporting.model_pages.palette import paint_of
from pipelines.reporting.model_pages.sheet_drawings import swatch
from pipelines.settings import Buyer
from schemas.contract import Contract
from schemas.published.flexibility import COLOUR_FLEX_SAVING, SUBSTITUTE_SAVING
from schemas.published.plans import PLAN_LINE

SOME_COUNT = 5
"""Lines named where a model publishes some of its lines."""
LISTED_AGAIN = "last"
"""The view that says what is lost if this line alone is bought as designed again."""
SAVED_WORDS = "Saves: what this line alone would cost more as designed. These do not add up."
ESTIMATED_WORDS = f"{ESTIMATED_MARK} Estimated: may be more, less or nothing."


@dataclass(frozen=True)
class LinesToChange:
    """What a sheet shows: a heading, how many lines save, a table as far as lines may be named, and what its columns mean."""

    heading: str
    words: str
    table: Table | None = None
    note: str = ""


@dataclass(frozen=True)
class _Saving:
    """What a line's other colour, or other form, saves; ``between`` is None where it is an estimate."""

    amount: Decimal
    between: Interval | None

    @property
    def is_clear(self) -> bool:
        return self.between is not None and self.between.direction == 1

    @property
    def is_estimate(self) -> bool:
        return self.between is None and self.amount > 0


@dataclass(frozen=True)
class _Change:
    """What a plan buys for a line instead of what is listed."""

    line_number: int
    listed: tuple[str, str]
    bought: tuple[tuple[str, str], ...]
    pieces: int
    saving: _Saving


def lines_to_change(page_data: PageData, model: ReportedModel, buyer: Buyer) -> LinesToChange | None:
    """The lines that the flexible plan buys otherwise, largest clear savings first; None where there is no such plan.

    Lines that save nothing are only counted. Nothing is named where flexibility as a whole saves nothing.
    """
    plan = page_data.plan(model.code, buyer.buyer_code, "flexible")
    together = saving(page_data.plan(model.code, buyer.buyer_code, "listed"), plan) if plan is not None else None
    if plan is None or together is None:
        return None
    changes = _changes(page_data, plan)
    clear = [change for change in changes if change.saving.is_clear]
    estimated = [change for change in changes if change.saving.is_estimate]
    if together.between.direction != 1 or not (clear or estimated):
        return LinesToChange("No line is clearly worth changing", _others_words(changes))
    worth = [*clear, *estimated]
    most = {"none": 0, "some": SOME_COUNT, "all": len(worth)}[model.publish_lines]
    heading = f"{count(len(clear), 'line')} to change" if clear else "Which lines to change is only estimated"
    notes = [SAVED_WORDS, *([ESTIMATED_WORDS] if any(change.saving.is_estimate for change in worth[:most]) else [])]
    return LinesToChange(
        heading,
        _counted(clear, estimated, len(changes) - len(worth), shown=min(most, len(worth)), is_closed=not most),
        _table(page_data, model, worth[:most], buyer) if most else None,
        " ".join(notes) if most else "",
    )


def _others_words(changes: list[_Change]) -> str:
    if not changes:
        return "The cheapest purchase is as designed."
    return f"The cheapest purchase takes {count(len(changes), 'line')} in another colour or form; none clearly saves on its own."


def _counted(clear: list[_Change], estimated: list[_Change], idle: int, *, shown: int, is_closed: bool) -> str:
    """How many lines save, are estimated to, and are bought otherwise without saving."""
    pieces = sum(change.pieces for change in clear)
    found = []
    if clear:
        found.append(f"{count(len(clear), 'line')} ({count(pieces, 'piece')}) clearly save{'s' * (len(clear) == 1)}")
    if estimated:
        found.append(
            f"{count(len(estimated))} more by the estimate"
            if clear
            else f"{count(len(estimated), 'line')} by the estimate"
        )
    if idle:
        found.append(f"{count(idle)} more {'differs' if idle == 1 else 'differ'} without saving alone")
    words = f"Otherwise than listed: {listed_words(found)}."
    if is_closed:
        return f"{words} The designer has not allowed naming them."
    return f"{words} The first {count(shown)} are shown." if shown < len(clear) + len(estimated) else words


def _changes(page_data: PageData, plan: Row) -> list[_Change]:
    lines = page_data.rows_of_plan(PLAN_LINE, plan)
    # An amendment in any colour has no listed one to differ from.
    is_other = (~pl.col("is_listed_colour") & (pl.col("listed_colour_code") != "")) | ~pl.col("is_listed_part")
    colours, forms = (_savings(page_data, contract, plan) for contract in (COLOUR_FLEX_SAVING, SUBSTITUTE_SAVING))
    found = []
    for (number,), own in lines.filter(is_other).group_by("line_number", maintain_order=True):
        line, row = int(str(number)), own.row(0, named=True)
        bought = own.select("part_code", "colour_code").unique(maintain_order=True).rows()
        either = [each[line] for each in (colours, forms) if line in each]
        best = max(either, key=lambda each: (each.is_clear, each.amount), default=_Saving(Decimal(0), None))
        listed = (row["listed_part_code"], row["listed_colour_code"])
        found.append(_Change(line, listed, tuple(bought), int(own["quantity"].sum()), best))
    return sorted(found, key=lambda change: (not change.saving.is_clear, -change.saving.amount, change.line_number))


def _savings(page_data: PageData, contract: Contract, plan: Row) -> dict[int, _Saving]:
    rows = page_data.rows_of_plan(contract, plan).filter(pl.col("saving_view") == LISTED_AGAIN).to_dicts()
    return {
        row["line_number"]: _Saving(
            row["saving"],
            None if row["saving_low"] is None else Interval(row["saving_low"], row["saving_high"]),
        )
        for row in rows
    }


def _table(page_data: PageData, model: ReportedModel, changes: list[_Change], buyer: Buyer) -> Table:
    decided = _decisions(page_data, model)
    rows = tuple(
        (
            f"{page_data.part_name(change.listed[0])} (line {change.line_number})",
            _from_to(page_data, change),
            count(change.pieces),
            _saved(change.saving, buyer.currency_code),
            _range(change.saving, buyer.currency_code),
            _why(decided.get(change.line_number, [])),
        )
        for change in changes
    )
    headings = columns("Listed as", "From \u2192 to", "#Pieces", "#Saves", "#Between", "Why it is safe")
    return Table(f"Lines to change, in {buyer.currency_code}", headings, rows, is_stacked=True)


def _from_to(page_data: PageData, change: _Change) -> Cell:
    """Listed and bought colours as squares and names, and the form where it is another."""
    part, colour = change.listed
    ways = [_named(page_data, part, *bought) for bought in change.bought]
    listed = _named(page_data, part, part, colour) if colour else (Markup("any colour"), "any colour")
    joined = Markup(" or ").join(markup for markup, _ in ways)
    words = f"{listed[1]} \u2192 {' or '.join(plain for _, plain in ways)}"
    return Drawing(Markup('<span class="to">{} \u2192 {}</span>').format(listed[0], joined), words)


def _named(page_data: PageData, listed_part: str, part: str, colour: str) -> tuple[Markup, str]:
    paint = paint_of(page_data, colour)
    form = "" if part == listed_part else f" as {page_data.part_name(part)}"
    square = swatch(paint.srgb_hex, is_clear=paint.is_clear)
    named = Markup('<span class="paint">{} {}</span>{}') if square else Markup("{}{}{}")
    return named.format(square, paint.name, form), paint.name + form


def _saved(found: _Saving, code: str) -> str:
    if found.between is None:
        return f"{money(found.amount, code)} {ESTIMATED_MARK}"
    return money(found.amount, code) if found.is_clear else NO_CLEAR_SAVING


def _range(found: _Saving, code: str) -> str:
    return "estimated" if found.between is None else ends(found.between, code)


def _decisions(page_data: PageData, model: ReportedModel) -> dict[int, list[dict[str, Any]]]:
    if model.inputs is None or page_data.today is None:
        return {}
    found: dict[int, list[dict[str, Any]]] = {}
    for row in decisions_on(model.inputs, page_data.today).rows.sort("line_number", "portion_number").to_dicts():
        found.setdefault(row["line_number"], []).append(row)
    return found


def _why(decided: list[dict[str, Any]]) -> str:
    """The rule, the decision's own reason (which says whether it is seen), and whether the line bears load."""
    if not decided:
        return "another form that may stand in"
    words = []
    for row in decided:
        load = "bears load" if row["is_load_bearing"] else "bears no load"
        words.append("; ".join(each for each in (row["reason"] or "", COLOUR_RULES[row["colour_rule"]], load) if each))
    return " / ".join(dict.fromkeys(words))
