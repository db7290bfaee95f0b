"""``kitfare decide``: asks about the undecided lines of a model, one by one, and writes down the decisions."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.terminal.common import (
    BuyerOption,
    ModelArgument,
    WorkspaceOption,
    day_of,
    open_workspace,
    published_database,
    say,
    scenario_titles,
    text_table,
)

if TYPE_CHECKING:
    from pipelines.workspace import Workspace

Row = dict[str, Any]
Ask = Callable[[str], list[Row]]

CHOICES = "a: any colour   n: a near one   o: one of a list   l: as listed   Enter: later   q: stop"
NEAR_DISTANCE = "10"
"""The largest distance of a near colour if the user names none: still the same kind of colour (common practice, no source)."""


def run(
    model: ModelArgument,
    explain: Annotated[
        int | None, typer.Option("--explain", metavar="LINE", help="Show what is known about a line; decide nothing.")
    ] = None,
    decisions: Annotated[
        Path | None,
        typer.Option(
            "--from", metavar="FILE", help="Take decisions from a CSV file with the columns of flexible_lines.csv."
        ),
    ] = None,
    decided_by: Annotated[
        str | None, typer.Option("--by", metavar="NAME", help="Who decides; a note for people who read this later.")
    ] = None,
    decided_on: Annotated[
        str | None,
        typer.Option("--on", metavar="DATE", help="Date of the decision; it counts from this date on. Default: today."),
    ] = None,
    buyer: BuyerOption = None,
    all_lines: Annotated[bool, typer.Option("--all", help="Also ask about lines that could save little.")] = False,
    list_aside: Annotated[
        bool, typer.Option("--list", help="List the decisions that a changed parts list has put aside; decide nothing.")
    ] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Decide which colours a model's lines may have.

    Asks about the undecided lines, those that could save most first (the look-first list). Every answer is written to
    the model's flexible_lines.csv at once, with its date, who decided and why. It counts in every `kitfare refresh` that
    prices its date or a later one. A second decision on the same day replaces the first. A decision stays with its part and
    colour when lines get other numbers. Where that leaves a doubt it is put aside: --list shows it until it is decided again.

    \b
    Examples:
      kitfare decide tram_depot
      kitfare decide tram_depot --explain 173
      kitfare decide tram_depot --list
      kitfare decide tram_depot --from decisions.csv --by "first builder"
    """
    place = open_workspace(workspace)
    if list_aside:
        for text in put_aside(place, model):
            say(text)
        return
    if explain is not None:
        with _asking(place) as ask:
            for text in explained(ask, place, model, explain, _buyer(ask, place, model, buyer)):
                say(text)
        return
    day = date.today() if decided_on is None else day_of("--on", decided_on)
    if decisions is not None:
        _take_from(place, model, decisions, decided_by, day)
        return
    _walk(place, model, decided_by, day, buyer, all_lines)


def _take_from(place: Workspace, model: str, decisions: Path, decided_by: str | None, day: date) -> None:
    from pipelines.intake.workspace.line_decisions import add_decisions, read_decisions

    defaults = {"decided_on": day.isoformat(), "decided_by": decided_by or ""}
    rows = read_decisions(decisions, defaults)
    if not rows:
        say(f"{decisions} has no decisions. Nothing was changed.")
        return
    path = add_decisions(place, model, rows)
    lines = len({row.get("line_number") for row in rows})
    say(_written(lines, path, min(row["decided_on"] for row in rows)))


def _written(count: int, path: Path, day: str) -> str:
    lines = "line" if count == 1 else "lines"
    return f"Wrote decisions about {count} {lines} to {path}. They count in every `kitfare refresh` that prices {day} or later."


def _walk(place: Workspace, model: str, decided_by: str | None, day: date, buyer: str | None, all_lines: bool) -> None:
    from pipelines.intake.workspace.line_decisions import add_decisions
    from pipelines.intake.workspace.workspace_files import read_workspace_table
    from schemas.inputs.catalogue import COLOURS

    with _asking(place) as ask:
        buyer_code = _buyer(ask, place, model, buyer)
        rows, names = _looks(ask, model, buyer_code), _names(ask)
    decided = _decided_lines(place, model)
    colours = set(read_workspace_table(place, COLOURS)["colour_code"])
    undecided = [row for row in rows if row["line_number"] not in decided and (all_lines or _is_asked_about(row))]
    if not undecided:
        say(
            f"No undecided line of {model} could save much, or fill missing pieces, in another colour."
            + ("" if all_lines else f" To decide about them all the same: `kitfare decide {model} --all`.")
        )
        return
    say(
        f"{model}: {len(undecided)} {'line' if len(undecided) == 1 else 'lines'} to decide about, with the prices of the buyer {buyer_code}. Savings are in {undecided[0]['currency_code']}."
    )
    count, path = 0, place.models / model / "flexible_lines.csv"
    try:
        who = (
            decided_by
            if decided_by is not None
            else typer.prompt("Who decides (Enter: no name)", default="", show_default=False)
        )
        for number, row in enumerate(undecided, start=1):
            say("")
            say(f"{number} of {len(undecided)}: {_about(row, names)}")
            decision = _decide(colours)
            if decision is None:
                break
            if decision:
                reason = typer.prompt("Why (Enter: no reason)", default="", show_default=False)
                new = {
                    "line_number": str(row["line_number"]),
                    "part_code": row["listed_part_code"],
                    "colour_code": row["listed_colour_code"],
                    "portion_number": "1",
                    "accept_conditions": "new",
                }
                new |= {"is_load_bearing": "true", "decided_on": day.isoformat()}
                add_decisions(place, model, [{**new, **decision, "decided_by": who, "reason": reason}])
                count += 1
    except (typer.Abort, EOFError):
        say("")
    say(_written(count, path, day.isoformat()) if count else "Nothing was decided.")


def _is_asked_about(row: Row) -> bool:
    """Whether another colour could save something, or fill pieces that can't be bought now."""
    return bool(row["is_worth_a_look"] or row["fillable_piece_count"])


def _decide(colours: set[str]) -> dict[str, str] | None:
    """The decision as columns of flexible_lines; empty: later; None: stop. Only codes of these colours are taken."""
    while True:
        answer = typer.prompt(CHOICES + "\n>", default="", show_default=False, prompt_suffix=" ").strip().lower()
        if answer in ("", "later"):
            return {}
        if answer in ("q", "stop"):
            return None
        if answer in ("a", "any"):
            return {"colour_rule": "any"}
        if answer in ("l", "listed"):
            return {"colour_rule": "as_listed"}
        if answer in ("n", "near"):
            distance = typer.prompt("Largest colour distance (CIEDE2000)", default=NEAR_DISTANCE)
            return {"colour_rule": "near", "near_distance": distance.strip()}
        if answer in ("o", "one_of"):
            question = "Colours besides the listed one (codes, such as black;red)"
            codes = re.findall(r"[^\s,;]+", typer.prompt(question, default="", show_default=False))
            unknown = [code for code in codes if code not in colours]
            if codes and not unknown:
                return {"colour_rule": "one_of", "accept_colour_codes": ";".join(codes)}
            if unknown:
                say(f"Not in tables/colours: {', '.join(unknown)}. Nothing is written about this line yet.")
                continue
        say("Please type one of the letters a, n, o, l, q, or press Enter.")


def _about(row: Row, names: dict[str, str]) -> str:
    codes = [code for code in row["look_colour_codes"].split(";") if code]
    part, colour = (names.get(row[name]) or row[name] for name in ("listed_part_code", "listed_colour_code"))
    text = f"line {row['line_number']}, {part} in {colour}, {row['quantity']} pieces\n  could save {row['look_saving']}"
    if row["added_saving"] != row["look_saving"]:
        text += f" by itself, {row['added_saving']} on top of the lines before it"
    if row["look_rank"] > 1:
        text += f"; {row['look_saving_so_far']} together with the lines before it"
    if codes:
        text += "; would be bought in " + ", ".join(
            f"{names[code]} ({code})" if names.get(code) else code for code in codes
        )
    return text + _fillable(row)


def _fillable(row: Row) -> str:
    count = row["fillable_piece_count"]
    return f"; {count} {'piece' if count == 1 else 'pieces'} could be bought that now can't" if count else ""


# What is known


@contextmanager
def _asking(place: Workspace) -> Iterator[Ask]:
    from pipelines.warehouse.publishing.query import asking

    with asking(published_database(place)) as ask:
        yield ask


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _buyer(ask: Ask, place: Workspace, model: str, buyer: str | None) -> str:
    """The buyer that the option names, or the first one in kitfare.toml for whom the model is published."""
    from pipelines.errors import UsageError
    from pipelines.settings import Settings
    from pipelines.settings_base import load_toml

    known = [
        row["buyer_code"]
        for row in ask(f"select distinct buyer_code from model_cost where model_code = {_quoted(model)} order by all")
    ]
    if not known:
        models = ask("select distinct model_code from model_cost order by all")
        raise UsageError(
            f"nothing is published about a model {model}",
            where="published: " + ", ".join(row["model_code"] for row in models),
            next_step="give one of these, or run `kitfare refresh` first",
        )
    if buyer is not None and buyer not in known:
        raise UsageError(
            f"there is no buyer {buyer}", where=f"buyers: {', '.join(sorted(known))}", next_step="give one of these"
        )
    settings = load_toml(place.root / "kitfare.toml", Settings)
    return buyer or next((each.buyer_code for each in settings.buyer if each.buyer_code in known), str(known[0]))


def _names(ask: Ask) -> dict[str, str]:
    """Names of parts and colours by code."""
    rows = ask(
        "select part_code as code, part_name as name from parts union all select colour_code, colour_name from colours"
    )
    return {row["code"]: row["name"] for row in rows}


def _looks(ask: Ask, model: str, buyer: str) -> list[Row]:
    return ask(
        "select look_first.*, currency_code from look_first "
        "join model_cost using (priced_on, model_code, scenario_code, buyer_code) "
        f"where model_code = {_quoted(model)} and buyer_code = {_quoted(buyer)} "
        "and priced_on = (select max(priced_on) from model_cost) order by look_rank"
    )


def _decided_lines(place: Workspace, model: str) -> set[int]:
    """Lines that have a decision by now."""
    import polars as pl

    from pipelines.inputs import decisions_on
    from pipelines.intake.workspace.workspace_files import checked_model

    latest = decisions_on(checked_model(place, model), date.today()).rows
    return set(latest.filter(pl.col("colour_rule") != "undecided")["line_number"])


def put_aside(place: Workspace, model: str) -> Iterator[str]:
    """The decisions that count for no line of the newest list, with the reason, as lines of text."""
    from pipelines.inputs import decisions_on
    from pipelines.intake.workspace.workspace_files import checked_model

    found = decisions_on(checked_model(place, model), date.max).put_aside
    if not found:
        yield f"Every decision about {model} counts for its line."
        return
    cells = [[each.line_number, each.part_code, each.colour_code, each.decided_on, each.reason] for each in found]
    yield text_table(["line", "part", "colour", "decided on", "why it is put aside"], cells, numbers=[0])
    yield f"These lines are bought as listed. Decide again with `kitfare decide {model}`; delete rows of parts that are gone for good."


def explained(ask: Ask, place: Workspace, model: str, line: int, buyer: str) -> Iterator[str]:
    """What is known about a line, as lines of text."""
    import polars as pl

    from pipelines.errors import UsageError
    from pipelines.intake.workspace.workspace_files import checked_model

    own = checked_model(place, model)
    listed = own.parts_list.filter(pl.col("line_number") == line).sort("list_version")
    amended = own.amendments.filter(pl.col("line_number") == line).sort("valid_from_on")
    if not listed.height and not amended.height:
        raise UsageError(
            f"{model} has no line {line}",
            where=str(place.models / model),
            next_step="parts.csv and amendments.csv there have its lines",
        )
    names = _names(ask)
    yield f"Line {line} of {model}"
    for row in listed.iter_rows(named=True):
        part, colour = (names.get(row[name]) or row[name] for name in ("part_code", "colour_code"))
        yield f"  version {row['list_version']}: {row['quantity']} x {part} ({row['part_code']}) in {colour} ({row['colour_code']})"
    for row in amended.iter_rows(named=True):
        yield f"  amended from {row['valid_from_on']}: {row['amendment_action']} {row['quantity']} pieces. {row['reason'] or ''}".rstrip()
    yield "Decisions"
    decided = own.flexible_lines.filter(pl.col("line_number") == line).sort("decided_on", "portion_number")
    for row in decided.iter_rows(named=True):
        pieces = f"{row['quantity']} pieces" if row["quantity"] is not None else "the rest"
        more = "".join(
            f", {label} {row[name]}"
            for name, label in (("accept_colour_codes", "also"), ("refuse_colour_codes", "not"), ("group_code", "alike in group"),
                                ("near_distance", "within distance"))
            if row[name]
        )  # fmt: skip
        who = " by ".join(str(part) for part in (row["decided_on"], row["decided_by"]) if part)
        yield f"  {who}: portion {row['portion_number']}, {pieces}: {row['colour_rule']}{more}. {row['reason'] or ''}".rstrip()
    if not decided.height:
        yield "  none"
    key = (
        f"model_code = {_quoted(model)} and buyer_code = {_quoted(buyer)} and line_number = {line} "
        "and priced_on = (select max(priced_on) from model_cost)"
    )
    yield f"Today, for the buyer {buyer}"
    yield from _today(ask, key, scenario_titles(place))


def _today(ask: Ask, key: str, titles: dict[str, str]) -> Iterator[str]:
    """How a line is bought, and what its flexibility saves or could save."""
    bought = ask(
        "select scenario_code, part_code, colour_code, vendor_code, sum(quantity)::bigint as pieces, unit_price, "
        f"vendor_currency_code from plan_line where {key} and scenario_code in ('listed', 'flexible') group by all order by all"
    )
    cells = [
        [
            titles.get(row["scenario_code"], row["scenario_code"]), row["part_code"], row["colour_code"], row["vendor_code"] or "on hand", row["pieces"],
            "" if row["unit_price"] is None else f"{row['unit_price']:f} {row['vendor_currency_code']}",
        ]
        for row in bought
    ]  # fmt: skip
    if cells:
        yield text_table(["way of buying", "part", "colour", "vendor", "pieces", "price"], cells, numbers=[4, 5])
    missing = ask(
        f"select scenario_code, unfilled_piece_count, remedies from unfilled_line where {key} "
        "and scenario_code in ('listed', 'flexible') order by all"
    )
    for row in missing:
        helps = f"; what would help: {row['remedies']}" if row["remedies"] else ""
        pieces = f"{row['unfilled_piece_count']} piece{'' if row['unfilled_piece_count'] == 1 else 's'}"
        yield f"{titles.get(row['scenario_code'], row['scenario_code'])}: {pieces} can't be bought{helps}"
    for table, what in (("colour_flex_saving", "colour"), ("substitute_saving", "form")):
        views = {
            row["saving_view"]: row for row in ask(f"select * from {table} where {key} and scenario_code = 'flexible'")
        }
        if views:
            savings = "; ".join(
                f"{name} {_stated(views[view])}"
                for view, name in (("alone", "alone"), ("last", "on top of all others"), ("fair", "fair share"))
                if view in views
            )
            yield f"Its flexibility of {what} saves: {savings}."
            partners = next(iter(views.values()))
            if partners["interplay_line_numbers"]:
                yield f"  Its saving depends on lines {partners['interplay_line_numbers'].replace(';', ', ')}: same {partners['interplay']}."
    for row in ask(f"select * from look_first where {key}"):
        worth = "" if _is_asked_about(row) else ", too little to be worth a look"
        yield (
            f"Number {row['look_rank']} of the look-first list: any colour could save {row['look_saving']}{worth}"
            + (
                f"; it would be bought in {row['look_colour_codes'].replace(';', ', ')}"
                if row["look_colour_codes"]
                else ""
            )
            + _fillable(row)
            + "."
        )


def _stated(row: Row) -> str:
    """A line's saving as far as it is known."""
    from pipelines.reporting.basis.words import stated_saving

    if row["saving_basis"] == "estimated":
        return f"about {row['saving']} (estimated)"
    return stated_saving(
        str(row["saving"]), str(row["saving_low"]), str(row["saving_high"]), is_clear=row["is_distinct"]
    )
