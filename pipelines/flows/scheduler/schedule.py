"""The nightly schedule: the workspace's own Prefect server and two deployments, until it is stopped."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, time
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipelines.errors import KitfareError, UsageError
from pipelines.flows.runs.delivery import watch_over
from pipelines.flows.scheduler import next_run
from pipelines.flows.scheduler.local_prefect import SERVED_WORKSPACE, own_server, server_ended
from pipelines.flows.scheduler.server_record import NAME, prefect_home
from pipelines.workspace import Workspace

GRACE_SECONDS = 10


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


@dataclass(frozen=True)
class Missed:
    """A run that was due while nothing ran."""

    expected_at: datetime
    is_monthly: bool
    run_id: UUID


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
        KitfareError: the server does not start, or ends by itself.
    """
    # Until Prefect's runner handles the signal; a service manager may send it while the server still starts.
    signal.signal(signal.SIGTERM, _interrupt)
    say("Starting the workspace's Prefect server ...")
    ended, done = threading.Event(), threading.Event()
    # Stopped while the server starts: there is nothing to end but the server, and its block does that.
    with suppress(KeyboardInterrupt), own_server(workspace, console_level="INFO") as server:
        try:
            threading.Thread(target=_end_with_server, args=(server, workspace, say, ended, done), daemon=True).start()
            threading.Thread(target=watch_over, args=(workspace, say, done), daemon=True).start()
            say(f"Server: {os.environ['PREFECT_API_URL']} (this machine only, files in {prefect_home(workspace)})")
            if workspace.settings().prefect.dashboard:
                say(f"Dashboard: {os.environ['PREFECT_API_URL'].removesuffix('/api')}")
                say(f'It asks for the "secret" in {prefect_home(workspace) / NAME}, which is a new one at each start.')
            next_run.write_times(workspace, times.at, times.zone)
            _serve(workspace, times, say)
        except (KeyboardInterrupt, SystemExit):
            pass
        except Exception:
            if not _has_ended(server):
                raise
            ended.set()
        finally:
            done.set()
            next_run.forget_times(workspace)
    if ended.is_set():
        raise _server_ended(workspace)
    say("The schedule has ended.")


def _serve(workspace: Workspace, times: Times, say: Callable[[str], None]) -> None:
    from prefect.exceptions import TerminationSignal
    from prefect.runner import Runner
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    from pipelines.flows.scheduler.prefect_flows import monthly_report, nightly_refresh

    # The process of every run inherits it.
    os.environ[SERVED_WORKSPACE] = str(workspace.root.resolve())
    timetable: tuple[tuple[Any, str, dict[str, str]], ...] = (
        (nightly_refresh, times.nightly, {}),
        (monthly_report, times.monthly, {"time_zone": times.zone}),
    )
    # One run at a time: a refresh that is late must not meet the next one.
    runner = Runner(name="kitfare", limit=1)
    # Whoever may change a deployment must not change what runs here: the runner starts these functions themselves.
    # With serve() it would load whatever entrypoint and folder the deployment names by then.
    for flow, cron, parameters in timetable:
        runner.add_flow(
            flow,
            name="kitfare",
            schedule=Cron(cron, timezone=times.zone),
            parameters=parameters,
            entrypoint_type=EntrypointType.MODULE_PATH,
        )
    cancel_missed(say)
    say(f"Refresh every night at {times.at:%H:%M} {times.zone}; on the 1st also the report of the month before.")
    say("Leave this running; Ctrl-C ends it.")
    with suppress(KeyboardInterrupt, TerminationSignal):
        asyncio.run(runner.start())


def cancel_missed(say: Callable[[str], None]) -> None:
    """Let one run catch up with all nights on which nothing ran, or Prefect would start each of them, one after the other.

    A refresh takes in every file that waits, so one does for all.
    """
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import (
        FlowRunFilter,
        FlowRunFilterExpectedStartTime,
        FlowRunFilterState,
        FlowRunFilterStateType,
    )
    from prefect.client.schemas.objects import StateType
    from prefect.states import Cancelled

    late = FlowRunFilter(
        state=FlowRunFilterState(type=FlowRunFilterStateType(any_=[StateType.SCHEDULED])),
        expected_start_time=FlowRunFilterExpectedStartTime(before_=datetime.now(UTC)),
    )
    with get_client(sync_client=True) as client:
        names = {flow.id: flow.name for flow in client.read_flows()}
        found = [
            Missed(run.expected_start_time, names.get(run.flow_id, "") == "monthly-report", run.id)
            for run in client.read_flow_runs(flow_run_filter=late)
            if run.expected_start_time is not None
        ]
        superfluous = all_but_one(found)
        for missed in superfluous:
            client.set_flow_run_state(missed.run_id, Cancelled(message="missed; a later run does for it"), force=True)
    if found:
        say(f"Missed runs: {len(found)}. One refresh catches up with all of them now.")


def all_but_one(missed: Sequence[Missed]) -> list[Missed]:
    """All but the run that catches up: the latest monthly one, which refreshes as well, or else the latest."""
    chosen = max(missed, key=lambda run: (run.is_monthly, run.expected_at), default=None)
    return [run for run in missed if run is not chosen]


def _interrupt(*_: Any) -> None:
    raise KeyboardInterrupt


def _has_ended(server: subprocess.Popen[bytes]) -> bool:
    try:
        server.wait(2)
    except subprocess.TimeoutExpired:
        return False
    return True


def _end_with_server(
    server: subprocess.Popen[bytes],
    workspace: Workspace,
    say: Callable[[str], None],
    ended: threading.Event,
    done: threading.Event,
) -> None:
    """Stop serving when the server ends first; otherwise no refresh would run again, and nobody would notice."""
    server.wait()
    if done.is_set():
        return
    ended.set()
    os.kill(os.getpid(), signal.SIGTERM)
    # Prefect's way to stop asks the server to pause the deployments, again and again if it is gone.
    if not done.wait(GRACE_SECONDS):
        error = _server_ended(workspace)
        say(str(error))
        os._exit(error.exit_code)


def _server_ended(workspace: Workspace) -> KitfareError:
    state = "no refresh is scheduled now; what is published stays"
    return server_ended(workspace, state, "run `kitfare schedule` again")
