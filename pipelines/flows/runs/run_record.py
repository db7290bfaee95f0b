"""The record of each refresh: ``runs/<number>.json``, written before it does anything and again when it has ended.

A record is replaced as a whole, so a kill leaves the one before. Who runs keeps a lock on ``runs/.alive``: a record that says
"running" while nobody has that lock is of a run that was killed. Records are no input of anything that is published.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Literal, TypeVar

from pipelines import __version__
from pipelines.errors import KitfareError, exit_code_of
from pipelines.flows import file_lock
from pipelines.warehouse.price_history.messages import Message
from pipelines.workspace import Workspace

Outcome = Literal["running", "published", "unchanged", "failed", "killed"]
SUCCESSES: tuple[Outcome, ...] = ("published", "unchanged")
FAILURES: tuple[Outcome, ...] = ("failed", "killed")

KEPT_RUNS = 400
"""Records that stay, the newest ones; with a refresh a night that is more than a year."""

_PROBE_SECONDS = 5.0
"""How long a run waits for one that only looks whether somebody runs, which takes no time at all."""


@dataclass(frozen=True)
class Notice:
    """News for those whom ``[[notify]]`` names.

    Args:
        notice_id: the same however often the notice is passed on, so that who gets it can drop a repeat.
        made_at: UTC.
        text: for people; its first line is the subject of a mail.
        content: what a program gets besides the id, the kind, the time and the text.
        delivered_to: who has it.
        is_settled: whether nobody needs to get it any more.
        tries: the latest tries to pass it on: when, to whom, the fault (empty if there was none) and the program's output.
    """

    notice_id: str
    made_at: datetime
    text: str
    content: dict[str, Any] = field(default_factory=dict)
    delivered_to: tuple[str, ...] = ()
    is_settled: bool = False
    tries: tuple[dict[str, str], ...] = ()


@dataclass(frozen=True)
class Run:
    """One refresh.

    Args:
        run_number: counts up; the name of the record.
        started_at: UTC.
        outcome: "killed" is written by whoever finds that its process has gone.
        ended_at: UTC; None while it runs, and if it was killed.
        why: what went wrong, in words; empty if nothing did.
        exit_code: of the command, where it failed.
        is_attended: whether someone saw its messages on a terminal as it ran.
        priced_on: the date it priced, once that is known.
        refresh_id: the generation it made or found, once that is known.
        software_version: of kitfare.
        files: name and hash of each file that it took in.
        messages: what nobody must miss: what became of files, and which watches fired. Those of earlier runs that were not shown
            come first.
        notes: what else it reported; the next run would find it again.
        shown_at: when the messages were shown, by a run that succeeded; None until then.
        news: what watches found, until it is known whether it was published; see :mod:`pipelines.flows.watch_news`.
        used_bytes: what the workspace took on its disks at the end of a run that succeeded.
        notices: by kind ("failed", "overdue" after this run, "watches").
    """

    run_number: int
    started_at: datetime
    outcome: Outcome = "running"
    ended_at: datetime | None = None
    why: str = ""
    exit_code: int | None = None
    is_attended: bool = False
    priced_on: date | None = None
    refresh_id: str = ""
    software_version: str = __version__
    files: tuple[tuple[str, str], ...] = ()
    messages: tuple[Message, ...] = ()
    notes: tuple[str, ...] = ()
    shown_at: datetime | None = None
    news: dict[str, Any] | None = None
    used_bytes: int | None = None
    notices: dict[str, Notice] = field(default_factory=dict)

    @property
    def stamp(self) -> str:
        """Its start and number: no two runs share it, even if the folder of records was lost between them."""
        return f"{self.started_at:%Y%m%dT%H%M%S}-{self.run_number:06d}"


def utc_now() -> datetime:
    """The time, UTC, without a time zone."""
    return datetime.now(UTC).replace(tzinfo=None)


def place_of(workspace: Workspace, run_number: int) -> Path:
    """The file of a run's record."""
    return workspace.runs / f"{run_number:06d}.json"


def newest_first(workspace: Workspace) -> Iterator[Run]:
    """The records, each read as it is asked for; one that can't be read is left out."""
    for number in reversed(_numbers(workspace)):
        if (run := read(workspace, number)) is not None:
            yield run


def read(workspace: Workspace, run_number: int) -> Run | None:
    """One record; None if it is not there or damaged."""
    try:
        run = _run_of(json.loads(place_of(workspace, run_number).read_bytes()))
        return run if run.run_number == run_number else None
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def unreadable(workspace: Workspace) -> list[Path]:
    """Records that are damaged."""
    return [place_of(workspace, number) for number in _numbers(workspace) if read(workspace, number) is None]


def is_running(workspace: Workspace) -> bool:
    """Whether a process has a refresh at work; looking disturbs none."""
    try:
        handle = os.open(workspace.runs / ".alive", os.O_RDONLY)
    except OSError:
        return False
    try:
        return not file_lock.take_lock(handle, is_shared=True)
    finally:
        os.close(handle)


def latest_ended(workspace: Workspace) -> Run | None:
    """The run that ended last; a killed one is returned as such, also before its record says so."""
    for run in newest_first(workspace):
        if run.outcome != "running":
            return run
        if not is_running(workspace):
            # Read again, because it may have ended before nobody had the lock any more.
            again = read(workspace, run.run_number) or run
            return as_killed(again, workspace) if again.outcome == "running" else again
    return None


def as_killed(run: Run, workspace: Workspace) -> Run:
    """The run as one whose process has gone."""
    why = "its process ended without a message: it was killed, the memory ran out, or the machine stopped"
    if is_published(run, workspace):
        why += "; what it made had been published before"
    return replace(run, outcome="killed", why=why)


def is_published(run: Run, workspace: Workspace) -> bool:
    """Whether readers see what the run made, or found to be unchanged."""
    published = workspace.published
    return bool(run.refresh_id) and published.is_symlink() and published.resolve().name == run.refresh_id


def change(workspace: Workspace, run_number: int, how: Callable[[Run], Run]) -> Run | None:
    """Change an ended run's record; two that do so at the same time come one after the other.

    Returns:
        The run as it is now; None if it has no record.

    Raises:
        OSError: the record can't be written.
    """
    with _writing(workspace):
        run = read(workspace, run_number)
        if run is None:
            return None
        changed = how(run)
        if changed != run:
            _write(workspace, changed)
        return changed


@contextmanager
def _writing(workspace: Workspace) -> Iterator[None]:
    handle = os.open(workspace.runs / ".writing", os.O_CREAT | os.O_RDWR, 0o644)
    try:
        file_lock.wait_for_lock(handle)
        yield
    finally:
        os.close(handle)


def mark_shown(workspace: Workspace, run_number: int) -> None:
    """Note that the messages of a run that succeeded were shown. Until then, each later run shows them again."""
    # If it can't be written, the next run shows them again.
    with suppress(OSError):
        change(workspace, run_number, lambda run: replace(run, shown_at=utc_now()))


class Recorder:
    """The record of the refresh at work. A disk that does not take it stops nothing: ``troubles`` say so."""

    def __init__(self, workspace: Workspace, run: Run) -> None:
        self.workspace = workspace
        self.run = run
        self.troubles: list[str] = []

    def update(self, **changes: Any) -> bool:
        """Write the record with other values; False if that failed."""
        self.run = replace(self.run, **changes)
        try:
            _write(self.workspace, self.run)
        except OSError as error:
            words = (
                f"the record of this refresh could not be written: {error.strerror or error} ({self.workspace.runs})"
            )
            self.troubles = [words]
            return False
        return True

    def fail(self, error: BaseException, close: Callable[[Run], Run]) -> None:
        """Write that it failed."""
        failed = replace(
            self.run, outcome="failed", ended_at=utc_now(), why=_words(error), exit_code=exit_code_of(error)
        )
        self.run = close(failed)
        self.update()


AnyRecorder = TypeVar("AnyRecorder", bound=Recorder)


@contextmanager
def record_of_refresh(
    workspace: Workspace,
    started_at: datetime,
    kind: type[AnyRecorder],
    close: Callable[[Run], Run],
    *,
    is_attended: bool,
) -> Iterator[AnyRecorder]:
    """A record for the refresh of the block, which has the workspace's lock. The block writes how it ended.

    It starts with the messages that earlier runs could not show.

    Args:
        workspace: the user's folder.
        started_at: UTC.
        kind: of the recorder.
        close: called with each earlier run that was killed; returns it as it is to be kept.
        is_attended: whether someone sees its messages on a terminal.
    """
    with suppress(OSError):
        workspace.runs.mkdir(exist_ok=True)
    with _alive(workspace):
        for number in _numbers(workspace):
            earlier = read(workspace, number)
            if earlier is not None and earlier.outcome == "running":
                with suppress(OSError):
                    change(workspace, number, lambda run: close(as_killed(run, workspace)))
        latest = next(newest_first(workspace), None)
        carried = () if latest is None or latest.shown_at else latest.messages
        number = max(_numbers(workspace), default=0) + 1
        recorder = kind(workspace, Run(number, started_at, is_attended=is_attended, messages=carried))
        recorder.update()
        _prune(workspace)
        yield recorder


def _words(error: BaseException) -> str:
    return str(error) if isinstance(error, KitfareError) else f"{type(error).__name__}: {error}".rstrip(": ")


@contextmanager
def _alive(workspace: Workspace) -> Iterator[None]:
    try:
        handle = os.open(workspace.runs / ".alive", os.O_CREAT | os.O_RDWR, 0o644)
    except OSError:
        yield
        return
    try:
        # The refresh lock is taken already: only one that looks whether somebody runs can be in the way.
        ends = time.monotonic() + _PROBE_SECONDS
        while not file_lock.take_lock(handle) and time.monotonic() < ends:
            time.sleep(0.001)
        yield
    finally:
        os.close(handle)


def _numbers(workspace: Workspace) -> list[int]:
    return sorted(
        int(path.stem) for path in workspace.runs.glob("*.json") if path.stem.isascii() and path.stem.isdigit()
    )


def _prune(workspace: Workspace) -> None:
    with suppress(OSError), _writing(workspace):
        for number in _numbers(workspace)[:-KEPT_RUNS]:
            place_of(workspace, number).unlink(missing_ok=True)
        for leftover in workspace.runs.glob(".*.json.new"):
            leftover.unlink(missing_ok=True)


def _write(workspace: Workspace, run: Run) -> None:
    """Written beside, synced, then renamed. ASCII, because a name in a message need not be text that a file can hold."""
    path = place_of(workspace, run.run_number)
    beside = path.with_name(f".{path.name}.new")
    with beside.open("w", encoding="ascii") as stream:
        json.dump(asdict(run), stream, indent=1, default=_as_text)
        stream.flush()
        os.fsync(stream.fileno())
    beside.replace(path)


def _as_text(value: Any) -> str:
    return value.isoformat() if isinstance(value, date) else str(value)


def _run_of(found: dict[str, Any]) -> Run:
    if found["outcome"] not in ("running", *SUCCESSES, *FAILURES):
        raise ValueError("no such outcome")
    return Run(
        **{
            **found,
            "started_at": datetime.fromisoformat(found["started_at"]),
            "ended_at": _time(found["ended_at"]),
            "shown_at": _time(found["shown_at"]),
            "priced_on": date.fromisoformat(found["priced_on"]) if found["priced_on"] else None,
            "files": tuple((name, file_hash) for name, file_hash in found["files"]),
            "messages": tuple(Message(**message) for message in found["messages"]),
            "notes": tuple(found["notes"]),
            "notices": {kind: _notice_of(notice) for kind, notice in found["notices"].items()},
        }
    )


def _notice_of(found: dict[str, Any]) -> Notice:
    return Notice(
        **{
            **found,
            "made_at": datetime.fromisoformat(found["made_at"]),
            "delivered_to": tuple(found["delivered_to"]),
            "tries": tuple(found["tries"]),
        }
    )


def _time(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text else None
