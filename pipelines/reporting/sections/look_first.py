"""Which undecided lines to look at first, and what they could save: as words, a curve and a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from pipelines.money import cost_interval
from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, money
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.look_curve import Looked, look_curve
from pipelines.settings import Buyer
from schemas.published.flexibility import LOOK_FIRST

LOOK_METHOD = (
    "A line is not worth a look where every colour costs about the same, or there is no other. Each line's estimate counts on top of "
    "the lines before it and of what is flexible already."
)


@dataclass(frozen=True)
class LookFirst:
    """Undecided lines: sentences, the curve, and a table of those to look at, if the page may name lines."""

    words: tuple[str, ...]
    chart: Chart | None
    table: Table | None


def look_first(
    page_data: PageData, plan: Row, costs: Mapping[str, Row], buyer: Buyer, *, names_lines: bool
) -> LookFirst | None:
    """The look-first list of a flexible plan; None where every line is decided.

    Args:
        costs: rows of flexibility_cost by what they allow; ``first_looks`` is the cost planned with the first lines in any colour.
        names_lines: whether the page may name lines.
    """
    rows = page_data.rows_of_plan(LOOK_FIRST, plan).sort("look_rank").to_dicts()
    if not rows:
        return None
    code = buyer.currency_code
    worth = [row for row in rows if row["is_worth_a_look"]]
    title = f"What looking at lines could save, in {code}, by number of lines"
    looked = [
        Looked(place, float(row["look_saving_so_far"]), float(row["best_look_saving"]))
        for place, row in enumerate(worth, 1)
    ]
    chart = look_curve(title, looked, lambda value: money(Decimal(repr(value)), code))
    words = _words(len(rows), worth, costs, cost_interval(plan).low, code)
    return LookFirst(tuple(words), chart, _table(page_data, worth, buyer) if names_lines else None)


def first_lines(row: Row) -> str:
    """The lines that a row ``first_looks`` has in any colour, such as: the first 10 lines."""
    number = len(row["looked_line_numbers"].split(";"))
    return "the first line" if number == 1 else f"the first {count(number)} lines"


def _words(undecided: int, worth: Sequence[Row], costs: Mapping[str, Row], least_now: Decimal, code: str) -> list[str]:
    """Sentences; ``least_now`` is the least that the plan as decided may cost."""
    words = []
    first = costs.get("first_looks")
    if first is not None:
        less = least_now - first["complete_cost"]
        cost = money(first["complete_cost"], code, with_code=True)
        change = f"at least {money(less, code)} less than now" if less > 0 else "not clearly less than now"
        words.append(f"A new plan with {first_lines(first)} in any colour costs {cost}: {change}.")
    idle = undecided - len(worth)
    are = "is" if idle == 1 else "are"
    words.append(
        f"{count(undecided, 'line')} {'is' if undecided == 1 else 'are'} undecided"
        + (f"; {count(idle)} {are} not worth a look." if idle else ".")
    )
    if worth:
        shown = sorted({1, *(step for step in (3, 10) if step < len(worth)), len(worth)})
        savings = ", ".join(
            f"the first {count(number) + ' lines' if number > 1 else 'line'} {money(worth[number - 1]['look_saving_so_far'], code)}"
            for number in shown
        )
        words.append(f"In any colour they could save, by a quick estimate: {savings} {code}.")
    return words


def _table(page_data: PageData, rows: Sequence[Row], buyer: Buyer) -> Table | None:
    if not rows:
        return None
    cells = tuple(
        (
            f"{page_data.element_name(row['listed_part_code'], row['listed_colour_code'])} (line {row['line_number']})",
            count(row["quantity"]),
            money(row["look_saving"], buyer.currency_code),
            money(row["look_saving_so_far"], buyer.currency_code),
            ", ".join(page_data.colour_name(code) for code in row["look_colour_codes"].split(";") if code) or NOTHING,
        )
        for row in rows
    )
    headings = columns("Listed as", "#Pieces", "#Could save", "#With those above", "Would be bought in")
    return Table(f"Lines to look at first, in {buyer.currency_code}", headings, cells, is_stacked=True)
