"""What flexibility of colour and form saves: together, and by line where a page may name lines."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal

import polars as pl

from pipelines.insight.flexibility.saving_game import SAMPLED_PAIRS
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, saving
from pipelines.reporting.basis.page_tables import NOTHING, Table, between, columns, count, money, percent
from pipelines.reporting.basis.words import COLOUR_RULES, ESTIMATED_MARK, listed_words, stated_saving
from pipelines.reporting.sections.costs import saving_words
from pipelines.reporting.sections.look_first import LOOK_METHOD, LookFirst, first_lines, look_first
from pipelines.reporting.sections.near_colours import NearColour, near_colours
from pipelines.settings import Buyer
from schemas.published.flexibility import COLOUR_FLEX_SAVING, FLEXIBILITY_COST, SUBSTITUTE_SAVING
from schemas.published.plans import UNFILLED_LINE

TOP_COUNT = 5
"""Lines named where a model publishes some of its lines."""
ESTIMATED_WORDS = f"{ESTIMATED_MARK} Estimated: it may be more, less or nothing."

VIEWS = (
    ("Fair share", "average saving over all sequences in which lines can become flexible"),
    ("Alone", "no other line is flexible"),
    ("On top", "all others are flexible already"),
)
KINDS = (("none", "Nothing"), ("colour", "Colours"), ("substitutes", "Forms"), ("both", "Colours and forms"))
METHODS = (
    "Costs with each kind of flexibility, and with the first lines to look at, are planned; so are the largest savings of single lines, "
    "alone and on top. All other savings are quick estimates among a few dozen sets of vendors, without handling by assortment, charges "
    "by size, vendors' limits and stock on hand. They are scaled to the plans, so that fair shares add up.",
    "A line clearly saves money if the whole range of a planned saving is above 0.",
    "More decided lines can save more: compare models only where that share is alike.",
    LOOK_METHOD,
    "Lines that must be alike count as one: “alone” and “on top” are theirs together, shared evenly.",
)


@dataclass(frozen=True)
class FlexibilitySection:
    """What a page shows of flexible lines; tables are None where there is nothing they may show.

    Attributes:
        words: sentences on all flexible lines together.
        kinds: costs with each kind of flexibility.
        colours: lines with flexible colour, and what they save in the three views.
        forms: lines that another form may fill, likewise.
        notes: what the three views and the mark mean.
        idle: flexible lines that save nothing, where the page names them all.
        looks: which undecided lines to look at first.
        near: colours close to listed ones that the flexible plan buys.
        methods: how exact this model's fair shares are, in a sentence.
    """

    words: tuple[str, ...]
    kinds: Table | None = None
    colours: Table | None = None
    forms: Table | None = None
    notes: str = ""
    idle: str = ""
    looks: LookFirst | None = None
    near: tuple[NearColour, ...] = ()
    methods: tuple[str, ...] = ()


@dataclass(frozen=True)
class _LineSavings:
    """What one flexible line saves, by view; ``main`` is its saving on top of the others where it has no fair share."""

    number: int
    part_code: str
    colour_code: str
    rule: str
    quantity: int
    views: dict[str, Row]
    acts_with: str

    @property
    def main(self) -> Decimal:
        view = self.views.get("fair") or self.views.get("last")
        return Decimal(view["saving"]) if view else Decimal(0)

    @property
    def saves(self) -> bool:
        return any(view["saving"] > 0 for view in self.views.values())

    @property
    def clearly_saves(self) -> bool:
        return any(view["saving"] > 0 and view["is_distinct"] for view in self.views.values())

    @property
    def is_planned(self) -> bool:
        return any(view["saving_basis"] == "planned" for view in self.views.values())


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
    colours = _lines(page_data.rows_of_plan(COLOUR_FLEX_SAVING, plan))
    forms = _lines(page_data.rows_of_plan(SUBSTITUTE_SAVING, plan))
    listed = page_data.plan(model.code, buyer.buyer_code, "listed")
    fillers = _lines_made_buyable(page_data, listed, plan)
    costs = {
        row["flexibility_allowed"]: row for row in page_data.rows_of_plan(FLEXIBILITY_COST, plan).iter_rows(named=True)
    }
    most = None if in_full or model.publish_lines == "all" else TOP_COUNT if model.publish_lines == "some" else 0
    names_all = in_full and not _is_eaten_by_more_pieces(listed, plan)
    colour_table, form_table = (
        _table(page_data, [line for line in lines if names_all or line.saves][:most], caption, buyer)
        for lines, caption in ((colours, "What each line's flexible colour saves"), (forms, "What other forms save"))
    )
    kinds = _kinds_table(costs, buyer, in_full)
    looks = look_first(page_data, plan, costs, buyer, names_lines=in_full or model.publish_lines == "all")
    return FlexibilitySection(
        tuple(_words(page_data, listed, plan, costs, colours, fillers, buyer)),
        kinds,
        colour_table,
        form_table,
        _notes(kinds, colour_table, form_table),
        _idle_words([line for line in colours if line.number not in fillers]) if names_all else "",
        looks,
        near_colours(page_data, plan) if in_full or model.publish_lines != "none" else (),
        tuple(_sampling_words(page_data, plan, buyer)) if colour_table or form_table else (),
    )


def _words(
    page_data: PageData,
    listed: Row | None,
    plan: Row,
    costs: dict[str, Row],
    lines: Sequence[_LineSavings],
    fillers: Collection[int],
    buyer: Buyer,
) -> list[str]:
    words = []
    together = saving(listed, plan)
    is_eaten = _is_eaten_by_more_pieces(listed, plan)
    found = 0 if listed is None else listed["unfilled_piece_count"] - plan["unfilled_piece_count"]
    if found > 0:
        words.append(
            f"Buying flexibly finds {count(found, 'more piece')}, which the cost as designed only estimates or leaves out."
        )
    if together is not None:
        if is_eaten:
            words.append("So it makes more of the model buildable, not cheaper.")
        elif not together.is_clear:
            words.append("The plans are not exact enough to show whether buying flexibly saves.")
        elif together.amount > 0:
            saved = saving_words(together, buyer.currency_code, with_code=True)
            within = between(together.between, buyer.currency_code)
            words.append(f"Buying flexibly saves {saved}{within and f', {within}'}.")
        else:
            words.append("Buying flexibly saves nothing today.")
    if "both" in costs:
        row = costs["both"]
        words.append(
            f"{count(row['decided_line_count'])} of {count(row['line_count'], 'line')} "
            f"({percent(100 * row['decided_share'], digits=0)}) {'is' if row['decided_line_count'] == 1 else 'are'} decided."
        )
    if lines and is_eaten:
        filling = sum(line.number in fillers for line in lines)
        words.append(
            f"Of {count(len(lines), 'line')} with flexible colour, {count(filling)} {'finds' if filling == 1 else 'find'} pieces "
            "that are missing as designed. Those pieces cost more than all savings, so no line's saving is shown."
        )
    elif lines:
        words.append(_line_words(lines, fillers))
        if "both" in costs and costs["both"]["planned_line_count"]:
            words.append(_error_words(costs["both"], buyer))
    return words


def _error_words(row: Row, buyer: Buyer) -> str:
    """How far estimated savings were from the planned ones."""
    mean, most = (money(row[name], buyer.currency_code) for name in ("mean_estimate_error", "largest_estimate_error"))
    return f"Estimates were off by {mean} on average and {most} at most, on {count(row['planned_line_count'], 'line')} planned tonight."


def _notes(kinds: Table | None, *of_lines: Table | None) -> str:
    """What the three views and the mark of estimates mean, where a table has them."""
    notes = [f"{name}: {words}." for name, words in VIEWS] if any(of_lines) else []
    shown = [table for table in (kinds, *of_lines) if table is not None]
    if any(ESTIMATED_MARK in str(cell) for table in shown for row in table.rows for cell in row):
        notes.append(ESTIMATED_WORDS)
    return " ".join(notes)


def _is_eaten_by_more_pieces(listed: Row | None, flexible: Row) -> bool:
    """Whether the flexible plan costs as much or more because it lacks fewer pieces: then there is no saving to share out."""
    together = saving(listed, flexible)
    if listed is None or together is None:
        return False
    return together.amount <= 0 and flexible["unfilled_piece_count"] < listed["unfilled_piece_count"]


def _lines_made_buyable(page_data: PageData, listed: Row | None, flexible: Row) -> set[int]:
    """Numbers of the lines that lack fewer pieces in the flexible plan: they are of use, whatever they save."""
    if listed is None:
        return set()
    before, after = (
        dict(
            page_data.rows_of_plan(UNFILLED_LINE, plan)
            .group_by("line_number")
            .agg(pl.sum("unfilled_piece_count"))
            .iter_rows()
        )
        for plan in (listed, flexible)
    )
    return {line for line, missing in before.items() if missing > after.get(line, 0)}


def _line_words(lines: Sequence[_LineSavings], fillers: Collection[int]) -> str:
    """How many lines clearly save, perhaps save, are estimated to save, find missing pieces, and do nothing."""
    paying = sum(line.clearly_saves for line in lines)
    unclear = sum(line.saves and line.is_planned and not line.clearly_saves for line in lines)
    estimated = sum(line.saves and not line.is_planned for line in lines)
    filling = sum(not line.saves and line.number in fillers for line in lines)
    idle = sum(not line.saves and line.number not in fillers for line in lines)
    found = [f"{count(paying)} clearly {'saves' if paying == 1 else 'save'} money"]
    if unclear:
        found.append(f"{count(unclear)} {'has' if unclear == 1 else 'have'} no clear saving")
    if estimated:
        found.append(f"{count(estimated)} {'is' if estimated == 1 else 'are'} only estimated to save")
    if filling:
        found.append(f"{count(filling)} {'finds' if filling == 1 else 'find'} pieces that are missing as designed")
    if idle:
        found.append(
            f"{count(idle)} {'saves' if idle == 1 else 'save'} nothing by the estimate and could take the designer's colour again"
        )
    return f"Of {count(len(lines), 'line')} with flexible colour, {listed_words(found)}."


def _lines(rows: pl.DataFrame) -> list[_LineSavings]:
    """A line's rows of all views made one, by what the lines save, most first."""
    found = []
    for (number,), of_line in rows.group_by("line_number", maintain_order=True):
        views = {row["saving_view"]: row for row in of_line.iter_rows(named=True)}
        row = views.get("fair") or next(iter(views.values()))
        partners = row["interplay_line_numbers"].replace(";", ", ") if row["interplay_line_numbers"] else ""
        found.append(
            _LineSavings(
                int(str(number)),
                row["listed_part_code"],
                row["listed_colour_code"],
                row.get("colour_rule", ""),
                row["quantity"],
                views,
                f"{partners} (same {row['interplay']})" if partners else "",
            )
        )
    return sorted(found, key=lambda line: (-line.main, not line.saves, line.number))


def _kinds_table(costs: dict[str, Row], buyer: Buyer, in_full: bool) -> Table | None:
    """Costs with each kind of flexibility; in full, the estimated saving beside the planned one."""
    kinds = [*KINDS]
    if in_full and "first_looks" in costs:
        looked = first_lines(costs["first_looks"])
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
        "May differ", "#Complete cost", *(["#Missing pieces"] if has_missing else []), "#Saved",
        *(["#By the estimate"] if in_full else []),
    )  # fmt: skip
    return Table(f"Cost by what may differ from the list, in {buyer.currency_code}", headings, rows) if rows else None


def _kind_saved(costs: dict[str, Row], kind: str, buyer: Buyer) -> str:
    """What a kind of flexibility saves; no figure where it costs more because it buys pieces that had an estimate at most."""
    row, none = costs[kind], costs.get("none")
    if kind == "none":
        return NOTHING
    buys_more = none is not None and row["unfilled_piece_count"] < none["unfilled_piece_count"]
    if buys_more and not row["total_saving"]:
        return NOTHING
    return _stated(row["total_saving"], row, buyer)


def _sampling_words(page_data: PageData, plan: Row, buyer: Buyer) -> list[str]:
    """How exact sampled fair shares are."""
    rows = pl.concat(
        [
            page_data.rows_of_plan(each, plan).select("standard_error")
            for each in (COLOUR_FLEX_SAVING, SUBSTITUTE_SAVING)
        ]
    )
    error = rows["standard_error"].drop_nulls().max()
    words = []
    if isinstance(error, Decimal):
        most = money(error, buyer.currency_code, with_code=True)
        words.append(
            f"Fair shares are means over {count(2 * SAMPLED_PAIRS)} random sequences; their standard error is at most {most}."
        )
    return words


def _stated(amount: Decimal, row: Row, buyer: Buyer) -> str:
    """A saving with the range of its row."""
    low, high = (
        None if row[name] is None else money(row[name], buyer.currency_code) for name in ("saving_low", "saving_high")
    )
    return stated_saving(money(amount, buyer.currency_code), low, high, is_clear=row["is_distinct"])


def _table(page_data: PageData, lines: Sequence[_LineSavings], caption: str, buyer: Buyer) -> Table | None:
    if not lines:
        return None
    has_rules = any(line.rule for line in lines)
    has_partners = any(line.acts_with for line in lines)
    rows = tuple(
        (
            f"{page_data.element_name(line.part_code, line.colour_code)} (line {line.number})",
            *([COLOUR_RULES[line.rule]] if has_rules else []),
            count(line.quantity),
            *(
                _stated(line.views[view]["saving"], line.views[view], buyer) if view in line.views else NOTHING
                for view in ("fair", "alone", "last")
            ),
            *([line.acts_with or NOTHING] if has_partners else []),
        )
        for line in lines
    )
    headings = columns(
        "Listed as", *(["Allowed"] if has_rules else []), "#Pieces", *(f"#{name}" for name, _ in VIEWS),
        *(["Acts with lines"] if has_partners else []),
    )  # fmt: skip
    return Table(f"{caption}, in {buyer.currency_code}", headings, rows, is_stacked=True)


def _idle_words(lines: Sequence[_LineSavings]) -> str:
    idle = [line for line in lines if not line.saves]
    if not idle:
        return ""
    named = ", ".join(str(line.number) for line in sorted(idle, key=lambda line: line.number))
    saves = "Line {} saves" if len(idle) == 1 else "Lines {} save"
    return f"{saves.format(named)} nothing today by the estimate and could take the designer's colour again."
