"""Thin Prefect flows around the functions that do the work; each step of a refresh becomes a task.

Steps' values never pass through Prefect: it would walk through frames, log or store them. A task here is a closure without
parameters, and what it returns stays in this process.
"""
# ruff: noqa: E402  (Prefect reads its settings when it is imported)

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from pipelines.flows.scheduler.local_prefect import QUIET

os.environ |= QUIET

from prefect import flow, get_run_logger, task
from prefect.artifacts import create_link_artifact, create_markdown_artifact, create_table_artifact
from prefect.cache_policies import NO_CACHE

from pipelines.errors import BusyError
from pipelines.flows.month import month_before, report_of
from pipelines.flows.refresh import Progress, RefreshOutcome, no_progress, refresh
from pipelines.settings import Workspace

Result = TypeVar("Result")

RETRIED_STEPS = {"take in dropped files"}
"""Steps that read what others write at the same time; all others would fail again in the same way."""


def run_as_task(name: str, function: Callable[..., Result], *arguments: Any) -> Result:
    """Call a step as a Prefect task (see the module's text for why without parameters).

    Raises:
        Exception: what the step raised, unchanged, after its retries.
    """
    results: list[Result] = []

    @task(
        name=name,
        task_run_name=name,
        cache_policy=NO_CACHE,
        persist_result=False,
        retries=2 if name in RETRIED_STEPS else 0,
        retry_delay_seconds=2,
        retry_condition_fn=_may_pass,
    )
    def step() -> None:
        results.append(function(*arguments))

    step()
    return results[-1]


def _may_pass(_task: Any, _run: Any, state: Any) -> bool:
    """Whether a failure can go away by itself: a file being written, a reader that holds the warehouse."""
    return isinstance(state.result(raise_on_failure=False), BusyError | OSError)


def refresh_as_flow(workspace: Workspace, priced_on: date | None, progress: Progress) -> RefreshOutcome:
    """A refresh as a Prefect run in this process.

    Raises:
        KitfareError: as :func:`pipelines.flows.refresh.refresh`.
    """
    outcomes: list[RefreshOutcome] = []

    @flow(name=nightly_refresh.name, persist_result=False)
    def by_hand(workspace: str, priced_on: date | None) -> None:
        outcomes.append(_refresh_and_record(Workspace(Path(workspace)), priced_on, progress))

    try:
        by_hand(str(workspace.root.resolve()), priced_on)
    finally:
        for handler in logging.getLogger("prefect.flow_runs").handlers:
            handler.flush()  # before the server goes
    return outcomes[-1]


@flow(name="nightly-refresh", persist_result=False)
def nightly_refresh(workspace: str) -> None:
    """What the schedule runs every night but the first of the month."""
    _refresh_and_record(Workspace(Path(workspace)), None, no_progress)


@flow(name="monthly-report", persist_result=False)
def monthly_report(workspace: str, time_zone: str = "UTC", month: str | None = None) -> None:
    """What the schedule runs on the first of the month: the refresh, and the report of the month that has ended.

    Args:
        workspace: its folder.
        time_zone: the schedule's, in which it is the first of the month; elsewhere it may be the day before.
        month: another month to report, such as 2026-10.
    """
    place = Workspace(Path(workspace))
    ended = month_before(datetime.now(ZoneInfo(time_zone)).date())
    _refresh_and_record(place, None, no_progress)
    page = run_as_task("find the month's report", report_of, place, month or ended)
    text = page.with_suffix(".md").read_text(encoding="utf-8")
    create_markdown_artifact(f"[{page.name}]({page.resolve().as_uri()})\n\n{text}", key="monthly-report")


def _refresh_and_record(workspace: Workspace, priced_on: date | None, progress: Progress) -> RefreshOutcome:
    outcome = refresh(workspace, run_as_task, priced_on=priced_on, progress=progress)
    for message in outcome.messages:
        get_run_logger().info(message)
    rows = [{name: str(value) for name, value in row.items()} for row in outcome.model_cost.iter_rows(named=True)]
    create_table_artifact(rows, key="model-cost", description=f"Model costs of {outcome.refresh_id}")
    page = outcome.folder / "index.html"
    create_link_artifact(page.as_uri(), link_text="index.html", key="published-pages", description="Published pages")
    return outcome
