"""What is to be passed on: a refresh that failed or was killed, one that is overdue, and news of watches.

A notice stands in the record of the run it is about: a failure in its own, the news of watches in the one that published
them, and what is overdue in the last one that succeeded. So each is made once, and stays as long as the record.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from pipelines.errors import KitfareError
from pipelines.flows.runs import run_record
from pipelines.flows.runs.run_record import FAILURES, SUCCESSES, Notice, Run
from pipelines.intake.archiving import archive, journal
from pipelines.settings import Settings
from pipelines.settings_base import load_toml
from pipelines.workspace import Workspace


def settings_or_last(workspace: Workspace) -> Settings | None:
    """The settings; while kitfare.toml is wrong, those of the last refresh that could read it, from the archive.

    A refresh that fails because of kitfare.toml must still be heard of.
    """
    with suppress(KitfareError, OSError):
        return workspace.settings()
    with suppress(KitfareError, OSError, ValueError, KeyError):
        file_hash = journal.read_journal(workspace.archive).inputs["kitfare.toml"]
        return load_toml(archive.fetch(file_hash, workspace.archive), Settings)
    return None


def failure(run: Run, workspace: Workspace) -> Notice:
    """The notice of a run that failed or was killed."""
    what = "was killed" if run.outcome == "killed" else "failed"
    text = (
        f"kitfare: the refresh of {time_text(run.started_at)} {what} ({workspace.root.resolve().name})\n"
        f"{run.why}\nworkspace: {workspace.root.resolve()}\nWhat was published stays. `kitfare status` shows it."
    )
    content = {
        "outcome": run.outcome,
        "why": run.why,
        "exit_code": run.exit_code,
        "started_at": run.started_at.isoformat(),
    }
    return Notice(f"failed-{run.stamp}", run.ended_at or run_record.utc_now(), text, content)


def last_success(workspace: Workspace) -> Run | None:
    """The last run that published, or found nothing new."""
    return next((run for run in run_record.newest_first(workspace) if run.outcome in SUCCESSES), None)


def overdue_since(run: Run | None, expected_every_hours: int, now: datetime) -> datetime | None:
    """When the next refresh was due, if that is past; None if none is overdue.

    Args:
        run: the last one that succeeded; None if there was none.
        expected_every_hours: 0 for no expectation.
        now: UTC.
    """
    if run is None or run.ended_at is None or not expected_every_hours:
        return None
    due = run.ended_at + timedelta(hours=expected_every_hours)
    return due if now > due else None


def overdue(run: Run, due: datetime, workspace: Workspace) -> Notice:
    """The notice that no refresh has succeeded since a run."""
    assert run.ended_at is not None
    text = (
        f"kitfare: a refresh is overdue ({workspace.root.resolve().name})\n"
        f"The last one that succeeded ended at {time_text(run.ended_at)}; the next was due by {time_text(due)}.\n"
        f"workspace: {workspace.root.resolve()}\nCheck that the schedule runs; `kitfare status` shows more."
    )
    content = {"last_success_at": run.ended_at.isoformat(), "due_at": due.isoformat()}
    return Notice(f"overdue-{run.stamp}", run_record.utc_now(), text, content)


def make_missing(workspace: Workspace, settings: Settings) -> None:
    """Make the notices that the records call for and that are not there yet; as far as the disk takes them."""
    latest = run_record.latest_ended(workspace)
    with suppress(OSError):
        if latest is not None and needs_failure(latest):
            add(workspace, latest.run_number, "failed", lambda _: failure(latest, workspace))
        run = last_success(workspace)
        due = overdue_since(run, settings.refresh.expected_every_hours, run_record.utc_now())
        if run is not None and due is not None:
            add(workspace, run.run_number, "overdue", lambda run: overdue(run, due, workspace))


def needs_failure(run: Run) -> bool:
    """Whether nobody saw that it failed, as far as is known."""
    return run.outcome in FAILURES and not run.is_attended


def add(workspace: Workspace, run_number: int, kind: str, make: Callable[[Run], Notice]) -> None:
    """Add a notice to a run's record, unless it has one of the kind.

    Raises:
        OSError: the record can't be written.
    """
    run_record.change(workspace, run_number, lambda run: with_notice(run, kind, make))


def with_notice(run: Run, kind: str, make: Callable[[Run], Notice]) -> Run:
    """The run with a notice, unless it has one of the kind."""
    return run if kind in run.notices else replace(run, notices={**run.notices, kind: make(run)})


def as_json(kind: str, notice: Notice) -> dict[str, Any]:
    """What a program gets: notice_id, kind, made_at, text, and what is known besides, by kind."""
    return {
        "notice_id": notice.notice_id,
        "kind": kind,
        "made_at": notice.made_at.isoformat(timespec="seconds"),
        "text": notice.text,
        **notice.content,
    }


def time_text(moment: datetime) -> str:
    """A time, UTC, for people."""
    return f"{moment:%Y-%m-%d %H:%M} UTC"
