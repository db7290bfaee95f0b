"""The one list of steps of a refresh. A runner decides how a step is called: plainly, or as a Prefect task.

Nothing is published before the last step, and that step is one rename: a kill at any moment leaves the last good generation.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import ParamSpec, Protocol, TypeVar

import polars as pl

from pipelines.errors import BusyError, KitfareError, UsageError
from pipelines.flows import file_lock, watch_news
from pipelines.flows.recorded import Report, recorded
from pipelines.flows.steps import (
    history_steps,
    insight_steps,
    intake_steps,
    plan_steps,
    plausibility_steps,
    publish_steps,
    record_steps,
    trend_steps,
)
from pipelines.flows.steps.night import Night, StepRecord
from pipelines.intake.archiving.night_entries import PricedNight
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.resources import software_digest
from pipelines.warehouse.publishing.table_files import TableFiles
from pipelines.workers import keep_processes
from pipelines.workspace import Workspace
from schemas.contract import FIRST_PRICE_DAY, LAST_PRICE_DAY
from schemas.published.plans import MODEL_COST
from schemas.published.watches import WATCH_RESULT

Given = ParamSpec("Given")
Result = TypeVar("Result")
Progress = Callable[[str, int, int], None]
"""``progress(step name, done, all)``; called at each step's start with 0 of 0."""


class RunStep(Protocol):
    """How a step is called: ``run_step(name, function, *arguments)`` returns what the function returns."""

    def __call__(
        self, name: str, function: Callable[Given, Result], /, *arguments: Given.args, **named: Given.kwargs
    ) -> Result:
        """Call it."""


def run_directly(
    _name: str, function: Callable[Given, Result], /, *arguments: Given.args, **named: Given.kwargs
) -> Result:
    """Call a step as a plain function."""
    return function(*arguments, **named)


def no_progress(_name: str, _done: int, _all: int) -> None:
    """Show nothing."""


@dataclass(frozen=True)
class RefreshOutcome:
    """What a refresh did. ``published`` is False when nothing was new; ``model_cost`` is the table readers now see.

    Who has shown ``messages`` calls ``run_record.mark_shown``; until then each later refresh has them too.
    """

    refresh_id: str
    run_number: int
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
    records: list[StepRecord] = field(default_factory=list)
    _night: Night | None = None

    def run(
        self, name: str, function: Callable[Given, Result], /, *arguments: Given.args, **named: Given.kwargs
    ) -> Result:
        self.progress(name, 0, 0)
        began = time.monotonic()
        result = self.run_step(name, function, *arguments, **named)
        row_count = 0
        if isinstance(result, Night):
            row_count, self._night = result.row_count_beyond(self._night), result
        self.records.append(StepRecord(name, time.monotonic() - began, row_count))
        return result


def refresh(
    workspace: Workspace,
    run_step: RunStep = run_directly,
    *,
    priced_on: date | None = None,
    progress: Progress = no_progress,
    is_attended: bool = False,
) -> RefreshOutcome:
    """Take in what was dropped, price every model, and publish a new generation, unless nothing is new.

    Args:
        workspace: the user's folder.
        run_step: how to call a step.
        priced_on: the date to price; None for the date of the settings.
        progress: called with each step's name, and with counts while plans are made.
        is_attended: whether someone sees its messages on a terminal; a failure is then no news for ``[[notify]]``.

    Raises:
        UsageError: the date is too early or too late to calculate with.
        BusyError: another refresh is running in the workspace.
        KitfareError: an input makes no sense, or a check failed; the last good generation stays published.
    """
    began, started_at = time.monotonic(), datetime.now(UTC).replace(tzinfo=None)
    if priced_on is not None and not FIRST_PRICE_DAY <= priced_on <= LAST_PRICE_DAY:
        raise UsageError(
            f"{priced_on} can't be priced", next_step=f"give a date from {FIRST_PRICE_DAY} to {LAST_PRICE_DAY}"
        )
    clock = _Clock(run_step, progress)
    with (
        only_refresh(workspace),
        recorded(workspace, started_at, is_attended=is_attended) as report,
        keep_processes(),
    ):
        sentences = report.sentences
        clock.run("clean up", intake_steps.clean_up, workspace)
        night = clock.run("read the workspace", intake_steps.read_inputs, workspace, started_at)
        night = clock.run("take in dropped files", intake_steps.take_in_files, night)
        night = clock.run("check new exports", plausibility_steps.check_exports, night)
        night = clock.run("fold the price history", history_steps.fold_history, night)
        said = (*night.all_inputs.remarks, *night.intake.messages, *night.history.messages)
        sentences += [text for text in said if text not in sentences]
        cleared = clock.run("clear records of nights", record_steps.clear_records, night)
        report.add(cleared.messages)
        if cleared.days:
            night = record_steps.with_records_of_now(night)
        if cleared.again:
            night = clock.run("screen the prices of cleared nights", history_steps.screen_prices, night)
        for day, nights in cleared.again.items():
            try:
                night = clock.run(f"record {day} again", _recorded_again, night, day, nights, progress)
            except KitfareError as error:  # what went wrong about the past must not stop tonight
                sentences.append(record_steps.not_recorded(day, error))
        night = identified(night, priced_on)
        report.update(priced_on=night.day, refresh_id=night.refresh_id)
        costs = publish_steps.published_costs(night)
        if costs is not None:
            sentences.append("Nothing new since the last refresh; the published tables stay as they are.")
            return _outcome(night, workspace.published.resolve(), report, began, costs)
        night = clock.run("screen the prices", history_steps.screen_prices, night)
        night = clock.run("read the markets", history_steps.read_markets, night)
        night = clock.run("plan the purchases", plan_steps.plan_purchases, night, progress)
        night = clock.run("work out savings", insight_steps.work_out_savings, night)
        night = clock.run("explain the plans", insight_steps.explain_plans, night)
        night = clock.run("rank suspect prices", insight_steps.rank_suspects, night)
        night = clock.run("compare ways of buying", insight_steps.compare_ways_of_buying, night)
        night = clock.run("compute the trends", trend_steps.compute_trends, night)
        night = clock.run("look ahead", trend_steps.look_ahead, night)
        night = clock.run("write the tables", publish_steps.write_tables, night, clock.records)
        night = clock.run("write the history by month", publish_steps.write_history, night)
        night = clock.run("write the pages", publish_steps.write_pages, night)
        night = clock.run("check what is public", publish_steps.check_what_is_public, night)
        watched_before = publish_steps.watches_before(workspace)
        night = clock.run("record what is published", record_steps.record_published, night)
        news = watch_news.found(night.refresh_id, night.day, night.written[WATCH_RESULT.name], watched_before)
        report.update(news=news)
        folder = clock.run("publish", publish_steps.publish, night)
        report.published()
        return _outcome(night, folder, report, began, TableFiles(folder)[MODEL_COST.name])


def _recorded_again(night: Night, day: date, nights: Sequence[PricedNight], progress: Progress) -> Night:
    """Make the records of an earlier night again, and publish nothing; returns the night with them among its inputs."""
    again = history_steps.read_markets(identified(night, day))
    again = trend_steps.compute_trends(plan_steps.plan_purchases(again, progress))
    record_steps.record_again(again, nights)
    return record_steps.with_records_of_now(night)


def _outcome(night: Night, folder: Path, report: Report, began: float, costs: pl.DataFrame) -> RefreshOutcome:
    """The report's sentences may still grow, by what could not be passed on."""
    count = night.intake.quarantined_row_count + report.quarantined_row_count(night.intake.messages)
    return RefreshOutcome(
        refresh_id=night.refresh_id,
        run_number=report.run.run_number,
        published=report.outcome == "published",
        folder=folder,
        priced_on=night.day,
        messages=report.sentences,
        quarantined_row_count=count,
        seconds=time.monotonic() - began,
        model_cost=costs,
    )


def identified(night: Night, priced_on: date | None) -> Night:
    """The night with the date to price, the inputs that count on it, and the hash of them all.

    Args:
        night: with its history.
        priced_on: the date asked for; None for that of the settings: a date, the latest with enough fresh prices, or today.

    Raises:
        UsageError: there are no prices at all.
    """
    chosen, history = night.settings.refresh.priced_on, night.history
    if history.first_observed_on is None:
        raise UsageError(
            "there are no prices yet",
            where=str(night.workspace.inbox),
            next_step="drop a price export into the inbox folder and refresh again",
        )
    day = priced_on or (chosen if isinstance(chosen, date) else night.day)
    is_latest = priced_on is None and chosen == "latest_export"
    if is_latest:
        day = history.fresh_on or day
    inputs = night_costs.before(index_vintages.before(night.all_inputs, day), day)
    inputs_hash = hash_of_inputs(inputs.input_files, history.fingerprint, day)
    return replace(night, day=day, is_latest=is_latest, inputs=inputs, inputs_hash=inputs_hash)


def hash_of_inputs(input_files: pl.DataFrame, history_fingerprint: str, day: date) -> str:
    """One hash of all that shapes the published numbers: files, history, date, software."""
    digest = hashlib.sha256(f"{software_digest()}\n{day}\n{history_fingerprint}\n".encode())
    for path, file_hash in input_files.sort("input_path").select("input_path", "file_hash").iter_rows():
        digest.update(f"{path}\t{file_hash}\n".encode())
    return digest.hexdigest()


@contextmanager
def only_refresh(workspace: Workspace) -> Iterator[None]:
    """Keep the workspace's lock; the operating system releases it even if the process is killed.

    Raises:
        BusyError: another refresh has it.
        KitfareError: the system has no such locks.
    """
    handle = os.open(workspace.root / ".refresh.lock", os.O_CREAT | os.O_RDWR, 0o644)
    try:
        if not file_lock.take_lock(handle):
            raise BusyError(
                "another refresh is running in this workspace",
                where=str(workspace.root),
                next_step="wait until it ends; published results can be read meanwhile",
            )
        yield
    finally:
        os.close(handle)
