"""``kitfare schedule``: refreshes every night."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, note, open_workspace


def run(
    at: Annotated[str, typer.Option(metavar="HH:MM", help="Time of day.")] = "02:30",
    time_zone: Annotated[
        str | None, typer.Option(metavar="NAME", help="Time zone, such as Europe/Warsaw. Default: this machine's.")
    ] = None,
    workspace: WorkspaceOption = None,
) -> None:
    """Refresh every night, until Ctrl-C.

    On the 1st of a month it also writes the report of the month before. A service manager can stop it with SIGTERM. It
    starts a Prefect server that only you on this machine can use; the server keeps its files in the workspace. For nights on
    which it did not run, run `kitfare refresh`. A time that a clock change skips runs an hour later; one that it
    repeats runs once.

    \b
    Examples:
      kitfare schedule --at 02:30
      kitfare schedule --at 04:00 --time-zone Europe/Warsaw --workspace ~/models
    """
    from pipelines.flows.scheduler.schedule import serve_schedule, times_from

    serve_schedule(open_workspace(workspace), times_from(at, time_zone), note)
