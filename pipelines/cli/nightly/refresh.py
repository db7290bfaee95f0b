"""``kitfare refresh``: take in price files, price every model, publish."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.nightly.change_words import summary
from pipelines.cli.nightly.comparison import comparison
from pipelines.cli.terminal.common import (
    WorkspaceOption,
    day_of,
    is_terminal,
    note,
    open_workspace,
    say,
    say_strongly,
    scenario_titles,
)
from pipelines.cli.terminal.interrupt import lasting_interrupt

if TYPE_CHECKING:
    from pipelines.flows.refresh import RefreshOutcome
    from pipelines.workspace import Workspace

Progress = Callable[[str, int, int], None]


def run(
    prefect: Annotated[
        bool, typer.Option("--prefect", help="Record the run in Prefect, also without `kitfare schedule`.")
    ] = False,
    priced_on: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Date to price, such as 2026-10-31. Default: priced_on in kitfare.toml."),
    ] = None,
    workspace: WorkspaceOption = None,
) -> None:
    """Take in price files, price every model, publish.

    Files are taken from inbox/. A row that fails goes to quarantine/ with a reason, and all other rows count. Publishing
    is the last step: until then, and if anything fails, readers see the last good result. When no input has changed,
    nothing is calculated.

    The steps run as Prefect tasks while `kitfare schedule` runs, or with --prefect.

    \b
    Examples:
      kitfare refresh
      kitfare refresh --priced-on 2026-10-31
      kitfare refresh --prefect --workspace ~/models
    """
    place = open_workspace(workspace)
    day = None if priced_on is None else day_of("--priced-on", priced_on)
    with show_progress() as show, lasting_interrupt() as check:

        def progress(name: str, done: int, total: int) -> None:
            check()
            show(name, done, total)

        outcome = _refresh(place, day, prefect, progress)

    from pipelines.flows.runs.run_record import mark_shown

    for message in outcome.messages:
        note(message)
    if outcome.quarantined_row_count:
        count = outcome.quarantined_row_count
        rows, them = ("1 row is", "it") if count == 1 else (f"{count} rows are", "them")
        note(
            f"{rows} quarantined: correct {them} in the files in {place.quarantined} and drop these files into inbox/."
        )
    mark_shown(place, outcome.run_number)
    width = shutil.get_terminal_size().columns
    for line in comparison(outcome.model_cost.to_dicts(), outcome.priced_on, scenario_titles(place), width):
        say(line)
    for line, is_finding in summary(outcome.model_cost.to_dicts(), outcome.priced_on, "cheapest", min(width, 80)):
        say_strongly(line) if is_finding else say(line)
    say("")
    done = f"Published {outcome.refresh_id}" if outcome.published else f"Still published: {outcome.refresh_id}"
    say(f"{done} ({outcome.seconds:.1f} s). Pages: {place.private / 'index.html'}")
    say(f"To upload: {place.public}")


def _refresh(place: Workspace, day: date | None, prefect: bool, progress: Progress) -> RefreshOutcome:
    from pipelines.flows.scheduler.local_prefect import running_server, use_server

    if not prefect and running_server(place) is None:
        from pipelines.flows.refresh import refresh

        return refresh(place, priced_on=day, progress=progress, is_attended=is_terminal())
    progress("start Prefect", 0, 0)
    with use_server(place):
        from pipelines.flows.scheduler.prefect_flows import refresh_as_flow

        return refresh_as_flow(place, day, progress, is_attended=is_terminal())


@contextmanager
def show_progress() -> Iterator[Progress]:
    """A progress bar on a terminal; elsewhere a line per step and per tenth of the plans."""
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
    shown: set[tuple[str, int]] = set()

    def show(name: str, done: int, total: int) -> None:
        tenth = 10 * done // total if total else 0
        if (name, tenth) not in shown:
            shown.add((name, tenth))
            note(f"{name} ..." if not tenth else f"{name}: {done} of {total}")

    return show
