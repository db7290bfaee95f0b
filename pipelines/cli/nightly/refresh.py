"""``kitfare refresh``: take in what was dropped, price every model, publish."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.terminal.common import WorkspaceOption, is_terminal, note, open_workspace, say, text_table
from pipelines.cli.terminal.interrupt import lasting_interrupt

if TYPE_CHECKING:
    from pipelines.flows.refresh import RefreshOutcome
    from pipelines.settings import Workspace

Progress = Callable[[str, int, int], None]


def run(
    prefect: Annotated[
        bool, typer.Option("--prefect", help="Record the run in Prefect even without a schedule.")
    ] = False,
    priced_on: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Date to price, such as 2026-10-31. Default: as kitfare.toml says."),
    ] = None,
    workspace: WorkspaceOption = None,
) -> None:
    """Take in price files, price every model, publish.

    Files are taken from inbox/. Rows that can't be used are quarantined in quarantined/ and named; nothing else stops for them. A
    file dropped again is read again, with the profiles as they are now. Publishing is the last step and one rename:
    until then, and if anything fails, readers see the last good result. When no input has changed since, nothing is
    computed.

    The steps run as Prefect tasks when the workspace's schedule is running or --prefect is given.

    \b
    Examples:
      kitfare refresh
      kitfare refresh --priced-on 2026-10-31
      kitfare refresh --prefect --workspace ~/models
    """
    place = open_workspace(workspace)
    day = _date(priced_on)
    with show_progress() as show, lasting_interrupt() as check:

        def progress(name: str, done: int, total: int) -> None:
            check()
            show(name, done, total)

        outcome = _refresh(place, day, prefect, progress)
    for message in outcome.messages:
        note(message)
    if outcome.quarantined_row_count:
        quarantined = "1 row is" if outcome.quarantined_row_count == 1 else f"{outcome.quarantined_row_count} rows are"
        note(f"{quarantined} quarantined; correct them in {place.quarantined} and drop the file into inbox/ again.")
    scenarios = [scenario.scenario_code for scenario in place.settings().scenarios]
    for line in comparison(outcome.model_cost.to_dicts(), outcome.priced_on, scenarios):
        say(line)
    say("")
    done = f"Published {outcome.refresh_id}" if outcome.published else f"Still published: {outcome.refresh_id}"
    say(f"{done} ({outcome.seconds:.1f} s). Look at {place.published / 'index.html'}")


def comparison(model_costs: list[dict[str, Any]], day: date, scenarios: Sequence[str]) -> Iterator[str]:
    """The complete cost of each model under each scenario, one table per buyer, as lines of text."""
    costs = [row for row in model_costs if row["priced_on"] == day]
    shown = [code for code in scenarios if any(row["scenario_code"] == code for row in costs)]
    marks: dict[str, str] = {}
    for buyer in dict.fromkeys(row["buyer_code"] for row in costs):
        own = [row for row in costs if row["buyer_code"] == buyer]
        models = {row["model_code"]: row["model_title"] for row in own}
        cells = {(row["model_code"], row["scenario_code"]): (_amount(row), _mark(row, marks)) for row in own}
        width = max(len(mark) for _, mark in cells.values())
        table = [
            [title, *(amount + mark.ljust(width) for amount, mark in (cells.get((model, s), ("", "")) for s in shown))]
            for model, title in models.items()
        ]
        yield ""
        yield f"Complete cost for the buyer {buyer}, {own[0]['currency_code']}, prices of {day}"
        yield ""
        yield text_table(["model", *shown], table, numbers=range(1, len(shown) + 1))
    if marks:
        yield ""
        yield from (f"{mark} {meaning}" for mark, meaning in sorted(marks.items()))
        if any(_costs_more_for_more_pieces(one, other) for one in costs for other in costs):
            yield "Fewest missing pieces come first, cost second: a way of buying that finds more pieces can cost more."
    if not costs:
        yield f"No model has a cost on {day}: no parts list holds by then (released_on in models/*/model.toml)."


def _costs_more_for_more_pieces(one: dict[str, Any], other: dict[str, Any]) -> bool:
    same = all(one[name] == other[name] for name in ("model_code", "buyer_code"))
    fewer = one["unfilled_piece_count"] < other["unfilled_piece_count"]
    refused = "refused" in (one["plan_status"], other["plan_status"])
    return same and fewer and not refused and one["complete_cost"] > other["complete_cost"]


def _amount(row: dict[str, Any]) -> str:
    if row["plan_status"] == "refused":
        return "refused"
    from pipelines.money import round_money

    return f"{round_money(row['complete_cost'], row['currency_code']):f}"


def _mark(row: dict[str, Any], marks: dict[str, str]) -> str:
    if row["plan_status"] == "refused":
        mark, meaning = "!", "the plan failed a check and must not be used"
    elif row["unfilled_estimate_count"]:
        mark, meaning = "**", "some pieces can't be bought, and for some of those there is no estimate: it costs more"
    elif row["unfilled_piece_count"]:
        mark, meaning = "*", "some pieces can't be bought; an estimate for them is included"
    else:
        return ""
    marks[mark] = meaning
    return mark


def _refresh(place: Workspace, day: date | None, prefect: bool, progress: Progress) -> RefreshOutcome:
    from pipelines.flows.scheduler.local_prefect import running_server, use_server

    if not prefect and running_server(place) is None:
        from pipelines.flows.refresh import refresh

        return refresh(place, priced_on=day, progress=progress)
    progress("start Prefect", 0, 0)
    with use_server(place):
        from pipelines.flows.scheduler.prefect_flows import refresh_as_flow

        return refresh_as_flow(place, day, progress)


def _date(text: str | None) -> date | None:
    from pipelines.errors import UsageError

    try:
        return date.fromisoformat(text) if text is not None else None
    except ValueError:
        raise UsageError(f"{text!r} is not a date", next_step="write it like 2026-10-31") from None


@contextmanager
def show_progress() -> Iterator[Progress]:
    """A bar on a terminal; elsewhere a line per step and per tenth of the plans."""
    if not is_terminal():
        yield _lines()
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True) as bars:
        bar = bars.add_task("start", total=None)
        yield lambda name, done, total: bars.update(bar, description=name, completed=done, total=total or None)


def _lines() -> Progress:
    reported: set[tuple[str, int]] = set()

    def tell(name: str, done: int, total: int) -> None:
        tenth = 10 * done // total if total else 0
        if (name, tenth) not in reported:
            reported.add((name, tenth))
            note(f"{name} ..." if not tenth else f"{name}: {done} of {total}")

    return tell
