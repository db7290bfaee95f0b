"""What runs in processes of its own while faults are made: refreshes that may be killed, and readers of what is published."""

from __future__ import annotations

import os
import resource
import signal
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import polars as pl

from pipelines.errors import KitfareError
from pipelines.flows import refresh
from pipelines.flows.steps import intake_steps
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import load, screening
from pipelines.warehouse.publishing import checks, generation, query
from pipelines.workspace import Workspace

if TYPE_CHECKING:
    from _typeshed import FileDescriptorLike

PRELOADED = [
    "tests.builders.programs.fault_work",
    "pipelines.planner.solve",
    "pipelines.planning.night",
    "pipelines.reporting.drawings.lines",
]
_ = (os, checks, generation, load, screening)


def refresh_in(root: str, channel: Any, fault: str = "", argument: int = 0) -> None:
    """A refresh under a fault; says each step as it starts, then ("done", published) or ("error", words)."""
    place = Workspace(Path(root))
    if fault == "file size":
        resource.setrlimit(resource.RLIMIT_FSIZE, (argument, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))
    elif fault == "disk full":
        _let_writing_fail(argument)
    elif fault == "read-only archive":
        _let_archive_be_read_only(place)
    elif fault == "clock":
        _let_clock_jump(argument)
    try:
        outcome = refresh.refresh(place, progress=lambda name, _done, _all: channel.send(("step", name)))
        channel.send(("done", outcome.published))
    except KitfareError as error:
        channel.send(("error", type(error).__name__, str(error)))
    except Exception as error:
        channel.send(("error", type(error).__name__, str(error)))


def _let_archive_be_read_only(place: Workspace) -> None:
    """Permissions would not stop a superuser, so making a file there is what fails."""
    make = tempfile.mkstemp

    def refuse(*arguments: Any, **named: Any) -> Any:
        if Path(named.get("dir") or ".").is_relative_to(place.archive):
            raise OSError(30, "Read-only file system")
        return make(*arguments, **named)

    tempfile.mkstemp = refuse


def _let_writing_fail(after: int) -> None:
    """The disk is full from the so-manieth sync on: what Python writes, and every published file."""
    sync, count = os.fsync, [0]

    def full(fd: FileDescriptorLike) -> None:
        count[0] += 1
        if count[0] > after:
            raise OSError(28, "No space left on device")
        sync(fd)

    os.fsync = full


def _let_clock_jump(days: int) -> None:
    class Jumped(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Self:
            return super().now(tz) + timedelta(days=days)

    vars(refresh)["datetime"] = Jumped
    touch = os.utime

    def jumped(path: Any, *arguments: Any, **named: Any) -> None:
        if arguments or named:
            touch(path, *arguments, **named)
            return
        at = time.time() + days * 86400
        touch(path, (at, at))

    os.utime = jumped


def read_on(root: str, channel: Any, pause: float) -> None:
    """Ask what is published again and again, until asked to stop: every session sees one whole refresh.

    Sends at last: sessions, the refreshes seen in order, and what went wrong.
    """
    place = Workspace(Path(root))
    sessions = 0
    seen: list[str] = []
    wrong: list[str] = []
    while not channel.poll(pause):
        try:
            name = _one_session(place)
        except Exception as error:
            wrong.append(f"{type(error).__name__}: {error}")
            break
        sessions += 1
        if not seen or seen[-1] != name:
            seen.append(name)
    channel.send((sessions, seen, wrong))


def _one_session(place: Workspace) -> str:
    """Through the database, then through the files of one generation; both must be whole and of one refresh."""
    sql = "select any_value(refresh_id), (select count(*) from price_history), (select sum(read_row_count) from intake_file) from refresh_run"
    name, history_count, read_count = query.run_query(place.database, sql).row(0)
    assert history_count > 0 and read_count > 0, "an empty table"
    folder = place.published.resolve()
    files = pl.read_parquet(folder / "private/tables/intake_file.parquet")
    run = pl.read_csv(folder / "private/tables/refresh_run.csv")
    history = pl.read_parquet(folder / "private/tables/price_history.parquet", columns=["offer_id"])
    assert set(run["refresh_id"]) == {folder.name}, "another refresh's table"
    assert files.height and history.height, "an empty file"
    assert (folder / "private/index.html").stat().st_size > 0
    if folder.name == name:
        assert history.height == history_count and files["read_row_count"].sum() == read_count, "a mix of two refreshes"
    found: str = name
    return found


def now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)


def accounted(place: Workspace) -> int:
    """Rows read in all; every one of them must be counted once."""
    with connect.reader(place.warehouse) as con:
        frame = connect.frame_of(con, "select * from intake_file()")
    parts = pl.sum_horizontal(
        f"{name}_row_count" for name in ("accepted", "quarantined", "superseded", "duplicate", "withdrawn", "dropped")
    )
    assert frame.filter(pl.col("read_row_count") != parts).is_empty(), "rows were lost"
    return int(frame["read_row_count"].sum())


def take_in_and_die(root: str, count: int) -> None:
    """Take in what was dropped, and die between loading a file and moving it: the so-manieth one."""
    leave, left = intake_steps._leave_inbox, [0]

    def die(*arguments: Any) -> None:
        left[0] += 1
        if left[0] == count:
            os.kill(os.getpid(), signal.SIGKILL)
        leave(*arguments)

    vars(intake_steps)["_leave_inbox"] = die
    place = Workspace(Path(root))
    intake_steps.clean_up(place)
    intake_steps.take_in_files(intake_steps.read_inputs(place, now()))
