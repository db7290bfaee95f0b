"""``examine`` and ``correct``: what keeps a workspace from its next refresh, or soon will, and what of it is safe to correct.

Contents are for ``kitfare verify``; this looks at rights, room, clock, versions, and at what dead processes left.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

from pipelines.errors import BusyError, KitfareError
from pipelines.flows import file_lock
from pipelines.flows.refresh import only_refresh
from pipelines.flows.runs import disk_use, run_record
from pipelines.flows.runs.notices import time_text
from pipelines.flows.scheduler import server_record
from pipelines.flows.steps import warehouse_check
from pipelines.flows.upkeep.check_result import CheckResult
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.plain_files import name_text
from pipelines.warehouse import connect
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace

CLOCK_SLACK = timedelta(minutes=5)
"""Clocks of machines that share a workspace differ by less."""

_LEFTOVERS = (
    "archive/.storing-*", "taken/*/*/.writing-*", "quarantine/.writing-*", f"{index_vintages.FOLDER}/.writing-*",
    f"{night_costs.FOLDER}/.writing-*", "runs/.*.json.new", "tables/*.csv.part", ".plan_cache/.*.tmp", ".verifying-*",
    "warehouse.duckdb.making*", "warehouse.duckdb.rebuilding*", "warehouse.duckdb.spill", "generations/*.building",
    "generations/*.removing", ".published.new", ".doctor-*",
)  # fmt: skip
"""What a process that was killed leaves half written; nobody else makes such names."""


def examine(workspace: Workspace, now: datetime | None = None) -> list[CheckResult]:
    """What is true of a workspace; reads only, but for empty test files that are gone at once.

    Args:
        workspace: the user's folder.
        now: UTC; the time if left out.
    """
    moment = now or run_record.utc_now()
    parts: tuple[tuple[str, Callable[[], Iterator[CheckResult]]], ...] = (
        ("settings", partial(_settings, workspace)),
        ("folders", partial(_folders, workspace)),
        ("locks", partial(_locks, workspace)),
        ("disk", partial(_disk, workspace)),
        ("clock", partial(_clock, workspace, moment)),
        ("layout", partial(_layout, workspace)),
        ("published", partial(_published, workspace)),
        ("leftovers", partial(_leftovers, workspace)),
        ("server", partial(_server, workspace)),
    )
    found: list[CheckResult] = []
    for code, part in parts:
        try:
            found += part()
        except KitfareError as error:
            found.append(CheckResult(code, "fault", " ".join(error.what.split()), error.next_step))
        except OSError as error:
            where = f": {name_text(str(error.filename))}" if error.filename else ""
            next_step = "correct that, and run the command again"
            found.append(CheckResult(code, "fault", f"The system refused: {error.strerror or error}{where}", next_step))
    return found


def correct(workspace: Workspace, findings: list[CheckResult]) -> list[CheckResult]:
    """Correct what is safe, and say what is true then; changes nothing while a refresh is at work.

    Raises:
        BusyError: a refresh is at work.
    """
    with only_refresh(workspace):
        for finding in findings:
            if finding.correct is not None:
                finding.correct()
    return examine(workspace)


def _settings(workspace: Workspace) -> Iterator[CheckResult]:
    settings = workspace.settings()
    if settings.notify and (words := workspace.why_no_commands()):
        yield CheckResult(
            "settings", "advice", words[0].upper() + words[1:], "then nobody hears of a failure by [[notify]]"
        )
    else:
        yield CheckResult("settings", "well", "kitfare.toml can be used")


def _folders(workspace: Workspace) -> Iterator[CheckResult]:
    """Each folder is there, and can be written to; a file is made in it and removed to know."""
    missing, refused = [], []
    for name in ("inbox", "quarantine", "taken", "archive", "generations", "runs", "profiles", "tables", "models"):
        folder = workspace.root / name
        if folder.is_symlink() and not folder.exists():
            yield CheckResult(
                "folders",
                "fault",
                f"{name}/ is a link to {folder.readlink()}, which is not there",
                "connect that disk or share",
            )
        elif not folder.exists():
            missing.append(folder)
        elif (words := _why_not_writable(folder)) and name not in ("profiles", "tables", "models"):
            refused.append(f"{name}/ ({words})")
    if words := _why_not_writable(workspace.root):
        refused.insert(0, f"the workspace itself ({words})")
    if refused:
        next_step = "give this user the right to write there, or mount the disk for writing"
        yield CheckResult("folders", "fault", f"Can't be written to: {', '.join(refused)}", next_step)
    if missing:
        names = ", ".join(f"{folder.name}/" for folder in missing)
        yield CheckResult(
            "folders", "advice", f"Missing folders: {names}", "kitfare doctor --fix makes them", partial(_make, missing)
        )
    if not refused and not missing:
        yield CheckResult("folders", "well", "All folders are there and can be written to")


def _make(folders: list[Path]) -> None:
    for folder in folders:
        folder.mkdir(exist_ok=True)


def _why_not_writable(folder: Path) -> str:
    try:
        with tempfile.NamedTemporaryFile(prefix=".doctor-", dir=folder):
            return ""
    except OSError as error:
        return error.strerror or str(error)


def _locks(workspace: Workspace) -> Iterator[CheckResult]:
    """Locks end with their process, so none is ever left; but some network disks have none at all."""
    with tempfile.TemporaryFile(prefix=".doctor-", dir=workspace.root) as file:
        try:
            is_locked = file_lock.take_lock(file.fileno())
        except OSError:
            is_locked = False
    if not is_locked:
        yield CheckResult(
            "locks",
            "fault",
            "This disk locks no files, so two refreshes could run at once",
            "move the workspace to a local disk",
        )
    elif run_record.is_running(workspace):
        yield CheckResult("locks", "well", "A refresh is at work")
    else:
        yield CheckResult("locks", "well", "No process has the workspace's lock")


def _disk(workspace: Workspace) -> Iterator[CheckResult]:
    needed = disk_use.needed_bytes(workspace)
    for name, free, free_files in disk_use.disks(workspace):
        words = f"{disk_use.size_text(free)} are free on the disk of {name}"
        if free < needed:
            next_step = "make room; `kitfare prune` shows what can go"
            yield CheckResult("disk", "fault", f"{words}; a refresh may need {disk_use.size_text(needed)}", next_step)
        elif free_files is not None and free_files < disk_use.LEAST_FILES:
            yield CheckResult(
                "disk", "fault", f"The disk of {name} has room for {free_files} more files only", "remove files there"
            )
        else:
            yield CheckResult("disk", "well", words)


def _clock(workspace: Workspace, now: datetime) -> Iterator[CheckResult]:
    last = disk_use.latest_time(workspace)
    if last is not None and last > now + CLOCK_SLACK:
        yield CheckResult(
            "clock",
            "fault",
            f"It is {time_text(now)} by this machine's clock, and a refresh has run at {time_text(last)}: the clock was set back",
            "set the clock; if it was ahead before and is right now, refreshes go on, dated before the last one",
        )
    else:
        yield CheckResult("clock", "well", f"It is {time_text(now)}, after all that was recorded")


def _layout(workspace: Workspace) -> Iterator[CheckResult]:
    if not workspace.warehouse.is_file():
        if (workspace.archive / "journal").is_dir():
            warehouse_check.require_every_file(workspace)
        yield CheckResult("layout", "well", "No warehouse yet; the first refresh makes it")
        return
    newest = connect.newest_layout()
    try:
        with connect.reader(workspace.warehouse) as con:
            layout = connect.layout_of(con)
    except BusyError:
        yield CheckResult("layout", "well", "The warehouse is in use by a process now, so its layout was not read")
        return
    if layout > newest:
        yield CheckResult(
            "layout",
            "fault",
            f"The warehouse has layout {layout}, of a newer kitfare; this one knows {newest}",
            "install the newer kitfare",
        )
        return
    warehouse_check.require_every_file(workspace)
    later = "" if layout == newest else f"; the next refresh makes it {newest}"
    yield CheckResult(
        "layout", "well", f"The warehouse has layout {layout}{later}, and every price file of the journal"
    )


def _published(workspace: Workspace) -> Iterator[CheckResult]:
    if workspace.published.is_symlink() and not workspace.database.is_file():
        yield CheckResult(
            "published",
            "fault",
            "What is published is gone or not whole",
            "run `kitfare refresh`, which publishes again",
        )
    elif workspace.published.exists() and not workspace.published.is_symlink():
        yield CheckResult(
            "published", "fault", "published is a folder, not kitfare's link", "move it away; then `kitfare refresh`"
        )
    elif not workspace.published.is_symlink():
        yield CheckResult("published", "advice", "Nothing is published yet", "run `kitfare refresh`")
    else:
        yield CheckResult("published", "well", f"Published: {workspace.published.readlink().name}")


def leftovers(workspace: Workspace) -> list[Path]:
    """Files and folders that killed processes left half written, if no refresh is at work."""
    return sorted(path for pattern in _LEFTOVERS for path in workspace.root.glob(pattern))


def _leftovers(workspace: Workspace) -> Iterator[CheckResult]:
    if run_record.is_running(workspace):
        return
    if found := leftovers(workspace):
        size = disk_use.size_text(sum(map(disk_use.bytes_of, found)))
        names = ", ".join(name_text(path.relative_to(workspace.root).as_posix()) for path in found[:3])
        words = (
            f"Half-written files of killed processes: {len(found)}, {size} ({names}{', ...' if len(found) > 3 else ''})"
        )
        next_step = "kitfare doctor --fix removes them; most go with the next refresh too"
        yield CheckResult("leftovers", "advice", words, next_step, partial(_remove_leftovers, workspace))
    else:
        yield CheckResult("leftovers", "well", "Nothing half-written is left")


def _remove_leftovers(workspace: Workspace) -> None:
    generation.clean_leftovers(workspace)
    for path in leftovers(workspace):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def _server(workspace: Workspace) -> Iterator[CheckResult]:
    """A server's record that no process has locked is of a server that ended without tidying up, or lives on alone."""
    is_running, _ = server_record.read_record(workspace)
    place = server_record.prefect_home(workspace) / server_record.NAME
    if is_running or not place.is_file() or not place.stat().st_size:
        yield CheckResult(
            "server", "well", f"The workspace's Prefect server {'runs' if is_running else 'is not running'}"
        )
        return
    try:
        process_id = int(json.loads(place.read_bytes())["process_id"])
        os.kill(process_id, 0)
        command = Path(f"/proc/{process_id}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
        lives_on = "prefect" in command
    except (OSError, ValueError, KeyError, TypeError):
        lives_on = False
    if lives_on:
        yield CheckResult(
            "server",
            "fault",
            f"A Prefect server lives on without its schedule: process {process_id}",
            f"kill {process_id}",
        )
    else:
        words = "The record of a Prefect server that has ended was left"
        yield CheckResult("server", "advice", words, "kitfare doctor --fix empties it", partial(os.truncate, place, 0))
