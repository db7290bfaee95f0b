"""What the flexible lines of colour and form save, line by line as far as a page may name lines, and which lines to look at first."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal

import polars as pl

from pipelines.insight.flexibility.saving_game import SAMPLED_PAIRS
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, saving
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, money, percent
from pipelines.reporting.basis.words import COLOUR_RULES
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.drawings.look_curve import Looked, look_curve
from pipelines.reporting.sections.costs import saved
from pipelines.reporting.sections.near_colours import NearColour, near_colours
from pipelines.settings import Buyer
from schemas.published.flexibility import COLOUR_FLEX_SAVING, FLEXIBILITY_COST, LOOK_FIRST, SUBSTITUTE_SAVING
from schemas.published.plans import UNFILLED_LINE

TOP_COUNT = 5
"""Lines named where a model publishes some of its lines."""
UNCLEAR = "\u2248"
"""Marks a saving that can't be distinguished from nothing."""
UNCLEAR_WORDS = f"{UNCLEAR} Smaller than how exact the plans are: it can't be distinguished from nothing. A line clearly saves money if one of its three figures is without this mark."

VIEWS = (
    (
        "Fair share",
        "what the line adds on average, over all orders in which the flexible lines could be granted; fair shares add up.",
    ),
    ("Alone", "what it saves if no other line is free."),
    ("On top", "what it saves once all others are free."),
)
KINDS = (
    ("none", "Nothing free"),
    ("colour", "Other colours only"),
    ("substitutes", "Other forms only"),
    ("both", "Other colours and forms"),
)
SHORT_METHOD = (
    "The costs of the table and of the first lines looked at are planned. Savings of single lines are a quick estimate within a few dozen "
    "sets of vendors, put in proportion to the plans; handling by assortment, charges by size and vendors' limits are not in it."
)
METHOD = (
    "Savings of single lines come from a quick estimate, not from a plan for every line: orders go to one of a few dozen sets "
    "of vendors, each line takes its cheapest pieces there, lines that want the same stock share it, and what vendors' terms add "
    "stays as it is. Handling by assortment, charges by size, vendors' limits and stock on hand are not in it. What all lines save by it is put in proportion to what the two plans differ by, so that fair shares add up. "
    "The four costs above, and the first lines of the look-first list together, are planned."
)


@dataclass(frozen=True)
class LooksFirst:
    """Lines nobody has decided: sentences, the curve, and the lines to look at where a page may name them."""

    words: tuple[str, ...]
    chart: Chart | None
    table: Table | None


@dataclass(frozen=True)
class FlexibilitySection:
    """What a page shows of flexible lines; tables are None where no line may be named, or there is nothing to show.

    Attributes:
        words: sentences on all flexible lines together.
        kinds: costs with each kind of flexibility.
        table: lines with a flexibility of colour, and what they save in the three views.
        forms: likewise for other forms.
        views: what the three views mean.
        notes: what the mark means, how exact sampled shares are, what lines that must be alike share.
        idle: flexible lines that save nothing, where the page names them all.
        looks: which lines to look at first.
        near: colours close to listed ones that the flexible plan buys.
        method: how the figures come about.
    """

    words: tuple[str, ...]
    kinds: Table | None = None
    table: Table | None = None
    forms: Table | None = None
    views: tuple[tuple[str, str], ...] = ()
    notes: str = ""
    idle: str = ""
    looks: LooksFirst | None = None
    near: tuple[NearColour, ...] = ()
    method: str = ""


@dataclass(frozen=True)
class _Line:
    """A line's savings by view; fair falls back on the saving on top of the others where there are no shares."""

    number: int
    part_code: str
    colour_code: str
    rule: str
    quantity: int
    amounts: dict[str, Decimal]
    distinct: frozenset[str]
    interplay: str

    @property
    def main(self) -> Decimal:
        return self.amounts.get("fair", self.amounts.get("last", Decimal(0)))

    @property
    def saves(self) -> bool:
        return any(amount > 0 for amount in self.amounts.values())

    @property
    def pays(self) -> bool:
        return any(amount > 0 and view in self.distinct for view, amount in self.amounts.items())


def flexible_lines_of(
    page_data: PageData, model: ReportedModel, buyer: Buyer, *, in_full: bool = False
) -> FlexibilitySection:
    """The flexible lines of a model for a buyer, today.

    Args:
        in_full: name every line, whatever the model publishes; for pages that are not published.
    """
    plan = page_data.plan(model.code, buyer.buyer_code, "flexible")
    if plan is None:
        return FlexibilitySection(())
    colours = _lines(page_data.rows_of(COLOUR_FLEX_SAVING, plan))
    forms = _lines(page_data.rows_of(SUBSTITUTE_SAVING, plan))
    listed = page_data.plan(model.code, buyer.buyer_code, "listed")
    fillers = _lines_made_buyable(page_data, listed, plan)
    is_eaten = _is_eaten_by_more_pieces(listed, plan)
    costs = {row["flexibility_allowed"]: row for row in page_data.rows_of(FLEXIBILITY_COST, plan).iter_rows(named=True)}
    shown = None if in_full or model.publish_lines == "all" else TOP_COUNT if model.publish_lines == "some" else 0
    names_all = in_full and not is_eaten
    kept = colours if names_all else [line for line in colours if line.saves]
    kept_forms = forms if names_all else [line for line in forms if line.saves]
    table = _table(page_data, kept[:shown], "What each line's colour flexibility saves", buyer)
    form_table = _table(page_data, kept_forms[:shown], "What other forms save", buyer)
    has_marks = any(UNCLEAR in str(cell) for each in (table, form_table) if each for row in each.rows for cell in row)
    return FlexibilitySection(
        tuple(_words(page_data, model, buyer, plan, costs, colours, fillers)),
        _kinds_table(costs, buyer, in_full),
        table,
        form_table,
        VIEWS if table or form_table else (),
        " ".join(
            [
                *([UNCLEAR_WORDS] if has_marks else []),
                *(_basis_words(page_data, plan, buyer) if table or form_table else []),
            ]
        ),
        _idle_words([line for line in colours if line.number not in fillers]) if names_all else "",
        _looks(page_data, plan, costs, buyer, names_lines=in_full or model.publish_lines == "all"),
        near_colours(page_data, plan) if in_full or model.publish_lines != "none" else (),
        (METHOD if in_full else SHORT_METHOD) if costs else "",
    )


def _words(
    page_data: PageData,
    model: ReportedModel,
    buyer: Buyer,
    plan: Row,
    costs: dict[str, Row],
    lines: Sequence[_Line],
    fillers: Collection[int],
) -> list[str]:
    reported = []
    listed = page_data.plan(model.code, buyer.buyer_code, "listed")
    together = saving(listed, plan)
    found = 0 if listed is None else listed["unfilled_piece_count"] - plan["unfilled_piece_count"]
    if found > 0:
        reported.append(
            f"With the flexible lines of colour and form {count(found, 'more piece')} can be bought, of which the cost as "
            "designed has an estimate at most."
        )
    if together is not None:
        if _is_eaten_by_more_pieces(listed, plan):
            reported.append("So today they make more of the model buildable, not the model cheaper.")
        elif not together.is_distinct:
            reported.append(
                "Together the flexible lines make no difference that can be distinguished from how exact the plans are."
            )
        elif together.amount > 0:
            reported.append(
                f"Together the flexible lines of colour and form save {saved(together, buyer.currency_code, with_code=True)}."
            )
        else:
            reported.append("Together the flexible lines of colour and form save nothing today.")
    if "both" in costs:
        row = costs["both"]
        reported.append(
            f"{count(row['decided_line_count'])} of {count(row['line_count'], 'line')} have been decided so far "
            f"({percent(100 * row['decided_share'], digits=0)}). A model that was decided further saves more, so compare models only "
            "where that share is alike."
        )
    if lines and _is_eaten_by_more_pieces(listed, plan):
        filling = sum(line.number in fillers for line in lines)
        reported.append(
            f"Of {count(len(lines), 'line')} with a colour flexibility, {count(filling)} {'makes' if filling == 1 else 'make'} "
            "pieces buyable that can't be had as designed. What single lines save can't be told: those pieces cost more than "
            "all of it."
        )
    elif lines:
        reported.append(_line_words(lines, fillers))
    return reported


def _is_eaten_by_more_pieces(listed: Row | None, flexible: Row) -> bool:
    """Whether the flexible plan costs as much or more because it lacks fewer pieces: then a line's share of nothing says nothing."""
    together = saving(listed, flexible)
    if listed is None or together is None:
        return False
    return together.amount <= 0 and flexible["unfilled_piece_count"] < listed["unfilled_piece_count"]


def _lines_made_buyable(page_data: PageData, listed: Row | None, flexible: Row) -> set[int]:
    """Lines of which the flexible plan lacks fewer pieces than the plan as listed: their flexible lines are not idle, whatever they save."""
    if listed is None:
        return set()
    before, after = (
        dict(
            page_data.rows_of(UNFILLED_LINE, plan)
            .group_by("line_number")
            .agg(pl.sum("unfilled_piece_count"))
            .iter_rows()
        )
        for plan in (listed, flexible)
    )
    return {line for line, missing in before.items() if missing > after.get(line, 0)}


def _line_words(lines: Sequence[_Line], fillers: Collection[int]) -> str:
    """How many lines save something, how many make pieces buyable, and how many do nothing."""
    paying = sum(line.pays for line in lines)
    unclear = sum(line.saves and not line.pays for line in lines)
    filling = sum(not line.saves and line.number in fillers for line in lines)
    idle = sum(not line.saves and line.number not in fillers for line in lines)
    words = f"Of {count(len(lines), 'line')} with a colour flexibility, {count(paying)} clearly {'saves' if paying == 1 else 'save'} money"
    if unclear:
        words += f", {count(unclear)} {'saves' if unclear == 1 else 'save'} less than how exact the plans are"
    if filling:
        words += (
            f", {count(filling)} {'makes' if filling == 1 else 'make'} pieces buyable that can't be had as designed"
        )
    if idle:
        words += f", and {count(idle)} {'saves' if idle == 1 else 'save'} nothing today: the designer's colour could come back there"
    return words + "."


def _lines(rows: pl.DataFrame) -> list[_Line]:
    """Lines by what they save, most first."""
    found = []
    for (number,), of_line in rows.group_by("line_number", maintain_order=True):
        views = {row["saving_view"]: row for row in of_line.iter_rows(named=True)}
        row = views.get("fair") or next(iter(views.values()))
        partners = row["interplay_line_numbers"].replace(";", ", ") if row["interplay_line_numbers"] else ""
        found.append(
            _Line(
                int(str(number)),
                row["listed_part_code"],
                row["listed_colour_code"],
                row.get("colour_rule", ""),
                row["quantity"],
                {view: each["saving"] for view, each in views.items()},
                frozenset(view for view, each in views.items() if each["is_distinct"]),
                f"{partners} (same {row['interplay']})" if partners else "",
            )
        )
    return sorted(found, key=lambda line: (-line.main, not line.saves, line.number))


def _kinds_table(costs: dict[str, Row], buyer: Buyer, in_full: bool) -> Table | None:
    """Costs with each kind of flexibility; in full, what the estimate says beside what planning found."""
    kinds = [*KINDS]
    if in_full and "first_looks" in costs:
        looked = _first_lines(costs["first_looks"])
        kinds.append(("first_looks", f"Both, and {looked} to look at in any colour"))
    missing = {kind: costs[kind]["unfilled_piece_count"] for kind, _ in kinds if kind in costs}
    has_missing = len(set(missing.values())) > 1
    rows = tuple(
        (
            title,
            money(costs[kind]["complete_cost"], buyer.currency_code),
            *([count(missing[kind])] if has_missing else []),
            _kind_saved(costs, kind, buyer),
            *([money(costs[kind]["modelled_saving"], buyer.currency_code)] if in_full else []),
        )
        for kind, title in kinds
        if kind in costs
    )
    headings = columns(
        "What may differ from the list", "#Complete cost", *(["#Missing pieces"] if has_missing else []), "#Saved",
        *(["#By the estimate"] if in_full else []),
    )  # fmt: skip
    return (
        Table(f"What flexible lines of colour and form save, in {buyer.currency_code}", headings, rows)
        if rows
        else None
    )


def _kind_saved(costs: dict[str, Row], kind: str, buyer: Buyer) -> str:
    """What a kind of flexibility saves; nothing told where it costs more because it buys pieces that had an estimate at most."""
    row, none = costs[kind], costs.get("none")
    if kind == "none":
        return NOTHING
    buys_more = none is not None and row["unfilled_piece_count"] < none["unfilled_piece_count"]
    if buys_more and not row["total_saving"]:
        return NOTHING
    return _amount(row["total_saving"], row["is_distinct"], buyer)


def _basis_words(page_data: PageData, plan: Row, buyer: Buyer) -> list[str]:
    """How exact sampled shares are, and that lines which must be alike share one."""
    rows = pl.concat(
        [page_data.rows_of(each, plan).select("standard_error") for each in (COLOUR_FLEX_SAVING, SUBSTITUTE_SAVING)]
    )
    error = rows["standard_error"].drop_nulls().max()
    reported = []
    if isinstance(error, Decimal):
        most = money(error, buyer.currency_code, with_code=True)
        reported.append(
            f"Fair shares are means over {count(2 * SAMPLED_PAIRS)} random orders; their standard error is at most {most}."
        )
    if (
        page_data.rows_of(COLOUR_FLEX_SAVING, plan)
        .filter((pl.col("flexible_line_count") > 1) & (pl.col("saving") > 0))
        .height
    ):
        reported.append(
            "Lines that must be alike count as one flexibility: alone and on top are theirs together, and they share evenly."
        )
    return reported


def _amount(amount: Decimal | None, is_distinct: bool, buyer: Buyer) -> str:
    if amount is None:
        return NOTHING
    return money(amount, buyer.currency_code) + (f" {UNCLEAR}" if amount and not is_distinct else "")


def _table(page_data: PageData, lines: Sequence[_Line], caption: str, buyer: Buyer) -> Table | None:
    if not lines:
        return None
    has_rules = any(line.rule for line in lines)
    has_partners = any(line.interplay for line in lines)
    rows = tuple(
        (
            f"{page_data.part_name(line.part_code)}, {page_data.colour_name(line.colour_code)} (line {line.number})",
            *([COLOUR_RULES[line.rule]] if has_rules else []),
            count(line.quantity),
            *(_amount(line.amounts.get(view), view in line.distinct, buyer) for view in ("fair", "alone", "last")),
            *([line.interplay or NOTHING] if has_partners else []),
        )
        for line in lines
    )
    headings = columns(
        "Listed as", *(["Allowed"] if has_rules else []), "#Pieces", *(f"#{name}" for name, _ in VIEWS),
        *(["Acts with lines"] if has_partners else []),
    )  # fmt: skip
    return Table(f"{caption}, in {buyer.currency_code}", headings, rows, is_stacked=True)


def _idle_words(lines: Sequence[_Line]) -> str:
    idle = [line for line in lines if not line.saves]
    if not idle:
        return ""
    named = ", ".join(str(line.number) for line in sorted(idle, key=lambda line: line.number))
    return f"Flexible lines that save nothing today, so that the designer's colour could come back: {'line' if len(idle) == 1 else 'lines'} {named}."


def _looks(
    page_data: PageData, plan: Row, costs: dict[str, Row], buyer: Buyer, *, names_lines: bool
) -> LooksFirst | None:
    rows = page_data.rows_of(LOOK_FIRST, plan).sort("look_rank").to_dicts()
    if not rows:
        return None
    code = buyer.currency_code
    worth = [row for row in rows if row["is_worth_a_look"]]
    words = [f"Nobody has decided {count(len(rows), 'line')} yet."]
    if worth:
        reported = [
            f"the first {count(number) + ' lines' if number > 1 else 'line'} {money(worth[number - 1]['look_saving_so_far'], code)}"
            for number in sorted({1, *(step for step in (3, 10) if step < len(worth)), len(worth)})
        ]
        words.append(
            f"If any colour would do there, that could save, line after line and given what is free already: {', '.join(reported)} {code}."
        )
    idle = len(rows) - len(worth)
    if idle:
        words.append(
            f"{count(idle, 'line is', 'lines are')} not worth a look: every colour costs about the same there, or there is no other."
        )
    first = costs.get("first_looks")
    if first is not None:
        less = costs["both"]["complete_cost"] - first["complete_cost"]
        words.append(
            f"Planned anew with {_first_lines(first)} in any colour, the parts cost "
            f"{money(first['complete_cost'], code, with_code=True)}"
            + (f", {money(less, code)} less than now." if less > 0 else ": no less than now.")
        )
    title = f"What looking at lines could save, in {code}, by number of lines"
    looked = [
        Looked(place, float(row["look_saving_so_far"]), float(row["best_look_saving"]))
        for place, row in enumerate(worth, 1)
    ]
    chart = look_curve(title, looked, lambda value: money(Decimal(repr(value)), code))
    return LooksFirst(tuple(words), chart, _looks_table(page_data, worth, buyer) if names_lines else None)


def _first_lines(row: Row) -> str:
    number = len(row["looked_line_numbers"].split(";"))
    return "the first line" if number == 1 else f"the first {count(number)} lines"


def _looks_table(page_data: PageData, rows: Sequence[Row], buyer: Buyer) -> Table | None:
    if not rows:
        return None
    cells = tuple(
        (
            f"{page_data.part_name(row['listed_part_code'])}, {page_data.colour_name(row['listed_colour_code'])} (line {row['line_number']})",
            count(row["quantity"]),
            money(row["look_saving"], buyer.currency_code),
            money(row["look_saving_so_far"], buyer.currency_code),
            ", ".join(page_data.colour_name(code) for code in row["look_colour_codes"].split(";") if code) or NOTHING,
        )
        for row in rows
    )
    headings = columns("Listed as", "#Pieces", "#Could save", "#With those above", "Would be bought in")
    return Table(f"Lines to look at first, in {buyer.currency_code}", headings, cells, is_stacked=True)
