"""How much room a workspace takes, how fast that grows, and when its disk will be full."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from pipelines.errors import KitfareError
from pipelines.flows.runs import run_record
from pipelines.intake.archiving import journal
from pipelines.workspace import Workspace

LEAST_FREE = 100_000_000
LEAST_FILES = 5_000
"""A generation has some hundreds of files, the archive one per input."""
_FOLDERS = ("archive", "generations", "inbox", "taken", "quarantine")


def size_text(count: float) -> str:
    """A size for people, such as 12.3 MB; a thousand bytes make a kilobyte, as on the labels of disks."""
    for unit in ("bytes", "kB", "MB", "GB"):
        if abs(count) < 1000:
            return f"{count:.0f} bytes" if unit == "bytes" else f"{count:.1f} {unit}"
        count /= 1000
    return f"{count:.1f} TB"


def bytes_of(path: Path) -> int:
    """What a file or a folder takes on its disk; files that several names share count once. 0 for what is gone meanwhile."""
    total, seen = 0, set()
    for each in (path, *path.rglob("*")) if path.is_dir() else (path,):
        try:
            found = each.lstat()
        except OSError:
            continue
        if (found.st_dev, found.st_ino) not in seen:
            seen.add((found.st_dev, found.st_ino))
            total += found.st_blocks * 512
    return total


def needed_bytes(workspace: Workspace) -> int:
    """Room that a refresh may need: a new generation, the warehouse written anew, and some to spare. An estimate of ours."""
    published = workspace.published.resolve() if workspace.published.is_symlink() else workspace.published
    return LEAST_FREE + bytes_of(published) + bytes_of(workspace.warehouse)


def disks(workspace: Workspace) -> Iterator[tuple[str, int, int | None]]:
    """The disks of the workspace: what of it is there, free bytes, and how many more files fit (None where that has no limit)."""
    seen = set()
    for name in ("", *_FOLDERS):
        folder = workspace.root / name
        if folder.exists() and (device := folder.stat().st_dev) not in seen:
            seen.add(device)
            found = os.statvfs(folder)
            yield name or "the workspace", found.f_bavail * found.f_frsize, found.f_favail if found.f_files else None


def latest_time(workspace: Workspace) -> datetime | None:
    """The latest time that a record of a refresh or the journal states, UTC; None if there is none."""
    times = [
        at for run in run_record.newest_first(workspace) for at in (run.started_at, run.ended_at) if at is not None
    ]
    with suppress(KitfareError, OSError, ValueError, KeyError):  # that is for other checks to say
        times += [reading.received_at for reading in journal.read_journal(workspace.archive).readings]
    return max(times, default=None)
