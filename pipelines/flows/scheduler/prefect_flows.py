"""Thin Prefect flows around the functions that do the work; each step of a refresh becomes a task.

Steps' values never pass through Prefect: it would walk through frames, log or store them. A task here is a closure without
parameters, and what it returns stays in this process. The date to price is a parameter of the flows; the workspace is
not: the process that serves them serves one workspace.

Annotations are types here, not text: a run's own process gets a flow's function without the names around it.
"""
# ruff: noqa: E402  (Prefect reads its settings when it is imported)

import logging
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, ParamSpec, TypeVar
from zoneinfo import ZoneInfo

from pipelines.flows.scheduler.local_prefect import QUIET, SERVED_WORKSPACE

os.environ |= QUIET

from prefect import Flow, flow, get_run_logger, task
from prefect.artifacts import create_link_artifact, create_markdown_artifact, create_table_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import FlowRun, State
from prefect.logging.loggers import flow_run_logger
from prefect.task_engine import TaskRunTimeoutError

from pipelines.errors import BusyError, KitfareError, UsageError
from pipelines.flows.month import month_before, report_of
from pipelines.flows.refresh import Progress, RefreshOutcome, no_progress, refresh
from pipelines.flows.runs.notices import settings_or_last
from pipelines.flows.runs.run_record import mark_shown
from pipelines.settings_refresh import PrefectSettings
from pipelines.workers import end_with_parent
from pipelines.workspace import PRIVATE, Workspace

# A run's process imports this module before it asks the server for anything. Without a schedule there is no server, and
# Prefect would ask for it again and again, for minutes.
end_with_parent()

Given = ParamSpec("Given")
Result = TypeVar("Result")

RETRIED_STEPS = {
    "read the workspace",
    "take in dropped files",
    "fold the price history",
    "screen the prices",
    "read the markets",
}
"""Steps that read files which others may be writing, or open the warehouse, which a program of the user may have open.

All other steps would fail again in the same way, or must not run twice, such as publishing.
"""

RETRY_AFTER_SECONDS = [2.0, 10.0, 60.0]
"""How long to wait before each further try."""


@dataclass(frozen=True)
class StepRunner:
    """Calls steps as Prefect tasks; the module's docstring says why they have no parameters.

    Args:
        timeout_seconds: the longest that one try of a step may take.
    """

    timeout_seconds: float

    def __call__(
        self, name: str, function: Callable[Given, Result], /, *arguments: Given.args, **named: Given.kwargs
    ) -> Result:
        """Call a step.

        Raises:
            KitfareError: it took too long.
            Exception: what the step raised, unchanged, after its retries.
        """
        results: list[Result] = []

        @task(
            name=name,
            task_run_name=name,
            cache_policy=NO_CACHE,
            persist_result=False,
            timeout_seconds=self.timeout_seconds,
            retries=len(RETRY_AFTER_SECONDS) if name in RETRIED_STEPS else 0,
            retry_delay_seconds=RETRY_AFTER_SECONDS,
            retry_condition_fn=_may_pass,
        )
        def step() -> None:
            results.append(function(*arguments, **named))

        try:
            step()
        except TaskRunTimeoutError:
            raise KitfareError(
                f"a step took longer than {self.timeout_seconds:g} s and was stopped",
                where=f"the step: {name}",
                state="what was published stays",
                next_step="raise step_timeout_seconds under [prefect] in kitfare.toml, or plan less, and refresh again",
            ) from None
        return results[-1]


def _may_pass(_task: Any, _run: Any, state: Any) -> bool:
    """Whether a failure can end by itself: a file being written, a program that has the warehouse open."""
    error = state.result(raise_on_failure=False)
    return isinstance(error, BusyError | OSError) and not isinstance(error, TimeoutError)


def log_next_step(flow: Flow[Any, Any], flow_run: FlowRun, state: State[Any]) -> None:
    """Log what to do after a run that failed or crashed. Prefect calls it with just these names."""
    error = state.result(raise_on_failure=False) if state.is_failed() else None
    if isinstance(error, KitfareError):
        words = f"{error}\n  what was published stays; `kitfare status` shows it"
    elif state.is_crashed():
        words = (
            "The process of this refresh ended without a message: it was killed, or the memory ran out.\n"
            "  state: what was published stays\n"
            "  next:  check the machine's memory, or lower workers in kitfare.toml; then run `kitfare refresh`, which starts cleanly"
        )
    else:
        words = (
            f"This refresh failed: {state.message}\n"
            "  state: what was published stays\n"
            "  next:  run `kitfare refresh` to see it fail in a terminal, and `kitfare verify` to look for damage"
        )
    flow_run_logger(flow_run, flow).error(words)


def refresh_as_flow(
    workspace: Workspace, priced_on: date | None, progress: Progress, *, is_attended: bool = False
) -> RefreshOutcome:
    """A refresh as a Prefect run in this process.

    Raises:
        KitfareError: as :func:`pipelines.flows.refresh.refresh`.
    """
    outcomes: list[RefreshOutcome] = []

    @flow(name=nightly_refresh.name, persist_result=False, on_failure=[log_next_step], on_crashed=[log_next_step])
    def by_hand(priced_on: date | None) -> None:
        outcomes.append(_refresh_and_record(workspace, priced_on, progress, is_attended=is_attended))

    try:
        by_hand(priced_on)
    finally:
        _flush_logs()  # before the server goes
    return outcomes[-1]


def _flush_logs() -> None:
    for handler in logging.getLogger("prefect.flow_runs").handlers:
        handler.flush()


@flow(name="nightly-refresh", persist_result=False, on_failure=[log_next_step], on_crashed=[log_next_step])
def nightly_refresh(priced_on: date | None = None) -> None:
    """What the schedule runs every night but the first of the month.

    Args:
        priced_on: the date to price; that of kitfare.toml if left out.
    """
    _refresh_and_show(_served_workspace(), priced_on)


@flow(name="monthly-report", persist_result=False, on_failure=[log_next_step], on_crashed=[log_next_step])
def monthly_report(priced_on: date | None = None, time_zone: str = "UTC", month: str | None = None) -> None:
    """What the schedule runs on the first of the month: the refresh, and the report of the month that has ended.

    Args:
        priced_on: the date to price; that of kitfare.toml if left out.
        time_zone: the schedule's, in which it is the first of the month; elsewhere it may be the day before.
        month: another month to report, such as 2026-10.
    """
    place = _served_workspace()
    ended = month_before(datetime.now(ZoneInfo(time_zone)).date())
    _refresh_and_show(place, priced_on)
    page = _runner(place)("find the month's report", report_of, place, month or ended)
    text = page.with_suffix(".md").read_text(encoding="utf-8")
    create_markdown_artifact(f"[{page.name}]({page.resolve().as_uri()})\n\n{text}", key="monthly-report")


def _served_workspace() -> Workspace:
    """The workspace of the process that serves the flows; a run's process inherits it."""
    root = os.environ.get(SERVED_WORKSPACE)
    if root is None:
        raise UsageError(
            f"no workspace is served: {SERVED_WORKSPACE} is not set",
            next_step="start the schedule with `kitfare schedule --workspace DIR`, or set it to a workspace's folder",
        )
    return Workspace(Path(root))


def _runner(workspace: Workspace) -> StepRunner:
    # With a wrong kitfare.toml the step that reads it fails, and the record of the refresh says so.
    settings = settings_or_last(workspace)
    prefect = settings.prefect if settings else PrefectSettings()
    return StepRunner(prefect.step_timeout_seconds)


def _refresh_and_show(workspace: Workspace, priced_on: date | None) -> None:
    """A refresh whose messages are shown by Prefect's log alone."""
    outcome = _refresh_and_record(workspace, priced_on, no_progress)
    _flush_logs()
    mark_shown(workspace, outcome.run_number)


def _refresh_and_record(
    workspace: Workspace, priced_on: date | None, progress: Progress, *, is_attended: bool = False
) -> RefreshOutcome:
    outcome = refresh(workspace, _runner(workspace), priced_on=priced_on, progress=progress, is_attended=is_attended)
    for message in outcome.messages:
        get_run_logger().info(message)
    rows = [{name: str(value) for name, value in row.items()} for row in outcome.model_cost.iter_rows(named=True)]
    create_table_artifact(rows, key="model-cost", description=f"Model costs of {outcome.refresh_id}")
    page = outcome.folder / PRIVATE / "index.html"
    create_link_artifact(
        page.resolve().as_uri(), link_text="index.html", key="published-pages", description="Published pages"
    )
    return outcome
