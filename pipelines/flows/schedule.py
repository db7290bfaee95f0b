"""The nightly schedule: a Prefect server of the workspace's own and two deployments, until it is told to stop."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import time
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipelines.errors import KitfareError, UsageError
from pipelines.flows.local_prefect import own_server, prefect_home
from pipelines.settings import Workspace


@dataclass(frozen=True)
class Times:
    """When the two flows run: a time of day in a time zone (name of the IANA data base)."""

    at: time
    zone: str

    @property
    def nightly(self) -> str:
        """Every night but the first of the month, when the monthly flow does the refresh itself."""
        return f"{self.at.minute} {self.at.hour} 2-31 * *"

    @property
    def monthly(self) -> str:
        """The first of the month."""
        return f"{self.at.minute} {self.at.hour} 1 * *"


def times_from(at: str, zone: str | None) -> Times:
    """The times from a text such as 02:30 and a zone's name; the machine's zone if none is given.

    Raises:
        UsageError: no time of day, or an unknown zone.
    """
    try:
        clock = time.fromisoformat(at)
    except ValueError:
        clock = None
    if clock is None or clock.tzinfo or clock != clock.replace(second=0, microsecond=0):
        raise UsageError(f"{at!r} is not a time of day", next_step="write it like 02:30")
    name = zone or _machine_zone()
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(f"{name!r} is not a known time zone", next_step="give --time-zone Europe/Warsaw") from None
    return Times(clock, name)


def _machine_zone() -> str:
    from tzlocal import get_localzone_name

    try:
        return str(get_localzone_name())
    except (ZoneInfoNotFoundError, ValueError, LookupError):
        raise UsageError("this machine's time zone has no name", next_step="give --time-zone Europe/Warsaw") from None


def serve_schedule(workspace: Workspace, times: Times, say: Callable[[str], None]) -> None:
    """Run the schedule until Ctrl-C or SIGTERM.

    Raises:
        BusyError: the workspace has a server already.
        KitfareError: the server does not come up, or ends by itself.
    """
    say("Starting the workspace's Prefect server ...")
    with own_server(workspace, console_level="INFO") as server:
        from prefect import serve
        from prefect.deployments.runner import EntrypointType
        from prefect.schedules import Cron

        from pipelines.flows.prefect_flows import monthly_report, nightly_refresh

        # Any, because the same method returns a coroutine to asynchronous callers.
        deployments: list[Any] = [
            flow.to_deployment(
                name="kitfare",
                schedule=Cron(cron, timezone=times.zone),
                parameters={"workspace": str(workspace.root.resolve())},
                entrypoint_type=EntrypointType.MODULE_PATH,
            )
            for flow, cron in ((nightly_refresh, times.nightly), (monthly_report, times.monthly))
        ]
        say(f"Server: {os.environ['PREFECT_API_URL']} (this machine only; its files are in {prefect_home(workspace)})")
        say(f"Refresh every night at {times.at:%H:%M} {times.zone}; on the 1st also the report of the month before.")
        say("Leave this running; Ctrl-C ends it.")
        stopping, ended = threading.Event(), threading.Event()
        threading.Thread(target=_end_with_server, args=(server, stopping, ended), daemon=True).start()
        try:
            # One run at a time: a refresh that is late must not meet the next one.
            serve(*deployments, limit=1, print_starting_message=False)
        finally:
            stopping.set()
        if ended.is_set():
            raise KitfareError(
                "the Prefect server ended by itself",
                where=str(prefect_home(workspace) / "server.log"),
                state="no refresh is scheduled any more; what is published stays",
                next_step="run `kitfare schedule` again",
            )
    say("The schedule has ended.")


def _end_with_server(server: subprocess.Popen[bytes], stopping: threading.Event, ended: threading.Event) -> None:
    """Stop serving when the server ends first; otherwise nothing would ever run again, in silence."""
    server.wait()
    if not stopping.is_set():
        ended.set()
        os.kill(os.getpid(), signal.SIGTERM)
