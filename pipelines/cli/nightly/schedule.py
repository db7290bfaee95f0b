"""``kitfare schedule``: refresh every night, until told to stop."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, note, open_workspace


def run(
    at: Annotated[str, typer.Option(metavar="HH:MM", help="Time of day.")] = "02:30",
    time_zone: Annotated[
        str | None, typer.Option(metavar="NAME", help="Its time zone. Default: this machine's.")
    ] = None,
    workspace: WorkspaceOption = None,
) -> None:
    """Refresh every night, until told to stop.

    On the 1st of a month it also writes the report of the month before. It runs until Ctrl-C or a SIGTERM, so that a
    service manager can keep it. It starts a Prefect server that only this machine can reach and that keeps its files
    in the workspace. For nights on which it was not running, run `kitfare refresh`. A time that a clock change skips
    is run an hour later; one that it repeats is run once.

    \b
    Examples:
      kitfare schedule --at 02:30
      kitfare schedule --at 04:00 --time-zone Europe/Warsaw --workspace ~/models
    """
    from pipelines.flows.scheduler.schedule import serve_schedule, times_from

    serve_schedule(open_workspace(workspace), times_from(at, time_zone), note)
