"""The one list of steps of a refresh. A runner decides how a step is called: plainly, or as a Prefect task.

Nothing is published before the last step, and that step is one rename: a kill at any moment leaves the last good generation.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from pipelines import __version__
from pipelines.errors import BusyError, UsageError
from pipelines.flows import steps, trend_steps, watch_news
from pipelines.resources import software_digest
from pipelines.settings import Workspace
from pipelines.workers import keep_processes

Result = TypeVar("Result")
RunStep = Callable[..., Any]
"""``run_step(name, function, *arguments)`` returns what the function returns."""
Progress = Callable[[str, int, int], None]
"""``progress(step name, done, all)``; called at each step's start with 0 of 0."""


def run_directly(_name: str, function: Callable[..., Result], *arguments: Any) -> Result:
    """Call a step as a plain function."""
    return function(*arguments)


def no_progress(_name: str, _done: int, _all: int) -> None:
    """Say nothing."""


@dataclass(frozen=True)
class RefreshOutcome:
    """What a refresh did. ``published`` is False when nothing was new; ``model_cost`` is the table readers now see."""

    refresh_id: str
    published: bool
    folder: Path
    priced_on: date
    messages: list[str]
    quarantined_row_count: int
    seconds: float
    model_cost: pl.DataFrame


@dataclass
class _Clock:
    """Runs steps, times them, and keeps the record that becomes the table refresh_run."""

    run_step: RunStep
    progress: Progress
    records: list[dict[str, Any]] = field(default_factory=list)

    def run(self, name: str, function: Callable[..., Result], *arguments: Any) -> Result:
        self.progress(name, 0, 0)
        began = time.monotonic()
        result: Result = self.run_step(name, function, *arguments)
        rows = result.height if isinstance(result, pl.DataFrame) else len(result) if hasattr(result, "__len__") else 0
        self.records.append({"step_name": name, "step_seconds": time.monotonic() - began, "row_count": rows})
        return result


def refresh(
    workspace: Workspace,
    run_step: RunStep = run_directly,
    *,
    priced_on: date | None = None,
    progress: Progress = no_progress,
) -> RefreshOutcome:
    """Take in what was dropped, price every model, and publish a new generation, unless nothing is new.

    Args:
        workspace: the user's folder.
        run_step: how to call a step.
        priced_on: the date to price; None for what the settings say.
        progress: called with each step's name, and with counts while plans are made.

    Raises:
        BusyError: another refresh is at work in the workspace.
        KitfareError: an input makes no sense, or a check failed; the last good generation stays.
    """
    began, started_at = time.monotonic(), datetime.now(UTC).replace(tzinfo=None)
    clock, messages = _Clock(run_step, progress), list[str]()
    with only_refresh(workspace), _noted(messages), keep_processes():
        clock.run("clean up", steps.clean_up, workspace)
        inputs = clock.run("read the workspace", steps.read_inputs, workspace)
        intake = clock.run("take in dropped files", steps.take_in_files, workspace, inputs, started_at)
        messages += intake.messages
        history = clock.run("fold the price history", steps.fold_history, workspace, inputs)
        messages += history.messages
        day = priced_on or steps.resolve_priced_on(inputs.settings, history)
        if history.first_observed_on is None:
            raise UsageError(
                "there are no prices yet",
                where=str(workspace.inbox),
                next_step="drop a price export into the inbox folder and refresh again",
            )
        all_inputs, inputs = inputs, trend_steps.before(inputs, day)
        inputs_hash = hash_of_inputs(inputs.input_files, history.fingerprint, day)
        refresh_id = f"{day.isoformat()}-{inputs_hash[:12]}"
        published = steps.published_tables(workspace, refresh_id)
        if published is not None:
            return RefreshOutcome(
                refresh_id,
                False,
                workspace.published.resolve(),
                day,
                [*messages, "Nothing new since the last refresh; the published tables stay as they are."],
                intake.quarantined_row_count,
                time.monotonic() - began,
                published["model_cost"],
            )
        suspects = clock.run("screen the prices", steps.screen_prices, workspace, inputs)
        days = [day, *month_ends_before(day, inputs.settings.refresh.months_back)]
        markets = clock.run("read the markets", steps.read_markets, workspace, inputs, days)
        plans = clock.run("plan the purchases", steps.plan_purchases, workspace, inputs, markets, day, progress)
        savings = clock.run("work out savings", steps.work_out_savings, inputs, markets, plans, day)
        variants = clock.run("explain the plans", steps.explain_plans, inputs, markets, plans, day)
        variants = clock.run(
            "weigh suspect prices", steps.weigh_suspects, inputs, markets, plans, suspects, variants, day
        )
        variants = clock.run("weigh ways of buying", steps.weigh_ways_of_buying, inputs, markets, plans, variants, day)
        trends = clock.run("compute the trends", trend_steps.compute_trends, inputs, markets.by_day, plans, day)
        outlook = clock.run("look ahead", steps.look_ahead, inputs, markets, plans, trends, day)
        trends = {**trends, **outlook}
        tables = clock.run(
            "gather the tables", steps.gather_tables, workspace, inputs, plans, savings, variants, trends
        )
        stamp = {
            "refresh_id": refresh_id,
            "priced_on": day,
            "started_at": started_at,
            "software_version": __version__,
            "inputs_hash": inputs_hash,
        }
        folder = workspace.generations / f"{refresh_id}.building"
        tables = clock.run(
            "write the tables", steps.write_tables, folder, tables, clock.records, stamp, inputs.settings
        )
        clock.run("write the history by month", steps.write_history, workspace, folder, tables)
        clock.run("write the pages", steps.write_pages, folder, tables, inputs)
        watched_before = steps.watches_before(workspace)
        clock.run(
            "record what is published",
            trend_steps.record_published,
            workspace,
            all_inputs,
            tables,
            day,
            refresh_id,
        )
        final = clock.run("publish", steps.publish, workspace, folder, refresh_id, inputs.settings)
        messages += watch_news.pass_on(workspace, refresh_id, day, tables["watch_result"], watched_before)
        return RefreshOutcome(
            refresh_id,
            True,
            final,
            day,
            messages,
            intake.quarantined_row_count,
            time.monotonic() - began,
            tables["model_cost"],
        )


def month_ends_before(day: date, count: int) -> list[date]:
    """The last days of the ``count`` months before the month of ``day``, latest first."""
    ends, first = [], day.replace(day=1)
    for _ in range(count):
        ends.append(first - timedelta(days=1))
        first = ends[-1].replace(day=1)
    return ends


def hash_of_inputs(input_files: pl.DataFrame, history_fingerprint: str, day: date) -> str:
    """One hash of all that shapes the published numbers: files, history, date, software."""
    digest = hashlib.sha256(f"{software_digest()}\n{day}\n{history_fingerprint}\n".encode())
    for path, file_hash in input_files.sort("input_path").select("input_path", "file_hash").iter_rows():
        digest.update(f"{path}\t{file_hash}\n".encode())
    return digest.hexdigest()


@contextmanager
def _noted(messages: list[str]) -> Iterator[None]:
    """Files have left the inbox: what became of them must be said, whatever goes wrong after that."""
    try:
        yield
    except Exception as error:
        for message in messages:
            error.add_note(message)
        raise


@contextmanager
def only_refresh(workspace: Workspace) -> Iterator[None]:
    """Hold the workspace's lock; the operating system frees it even if the process is killed."""
    handle = os.open(workspace.root / ".refresh.lock", os.O_CREAT | os.O_RDWR, 0o644)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise BusyError(
            "another refresh is at work in this workspace",
            where=str(workspace.root),
            next_step="wait for it to end; reading what is published works meanwhile",
        ) from None
    else:
        yield
    finally:
        os.close(handle)
