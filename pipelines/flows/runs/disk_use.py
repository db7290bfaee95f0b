"""How much room a workspace takes, how fast that grows, and when its disk will be full."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from statistics import linear_regression

from pipelines.errors import KitfareError
from pipelines.flows.runs import run_record
from pipelines.intake.archiving import journal
from pipelines.workspace import Workspace

LEAST_FREE = 100_000_000
LEAST_FILES = 5_000
"""A generation has some hundreds of files, the archive one per input."""
LEAST_RECORDS, LEAST_DAYS, LONGEST_DAYS = 8, 14, 180
"""Growth is stated from so many records on, over so many days, and from none older than that. Choices of ours, no source."""
FARTHEST_DAYS = 3650
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
    total, seen, ahead = 0, set(), [path]
    while ahead:
        place = ahead.pop()
        try:
            found = place.lstat()
            if stat.S_ISDIR(found.st_mode):
                with os.scandir(place) as entries:
                    ahead += [Path(entry.path) for entry in entries]
        except OSError:
            continue
        if (found.st_dev, found.st_ino) not in seen:
            seen.add((found.st_dev, found.st_ino))
            total += found.st_blocks * 512
    return total


@dataclass(frozen=True)
class Growth:
    """How fast a workspace grew, as its runs have recorded it.

    Args:
        from_on, to_on: the first and the last record counted.
        record_count: how many there are.
        bytes_a_day: the slope of the straight line through them (least squares); may be negative.
    """

    from_on: date
    to_on: date
    record_count: int
    bytes_a_day: float

    def full_on(self, free: int, today: date) -> date | None:
        """The date on which the disk is full if the workspace goes on so and nothing else fills it; None beyond ten years."""
        if self.bytes_a_day <= 0 or free > self.bytes_a_day * FARTHEST_DAYS:
            return None
        return today + timedelta(days=int(free / self.bytes_a_day))


def growth(workspace: Workspace) -> Growth | None:
    """From the records of the last 180 days; None where they are too few, or span too short a time, to say anything."""
    points = [
        (run.ended_at, run.used_bytes)
        for run in run_record.newest_first(workspace)
        if run.ended_at is not None and run.used_bytes is not None
    ]
    first = max(points)[0] - timedelta(days=LONGEST_DAYS) if points else datetime.min
    points = sorted(point for point in points if point[0] >= first)
    if len(points) < LEAST_RECORDS or points[-1][0] - points[0][0] < timedelta(days=LEAST_DAYS):
        return None
    days = [(at - points[0][0]) / timedelta(days=1) for at, _ in points]
    slope = linear_regression(days, [float(used) for _, used in points]).slope
    return Growth(points[0][0].date(), points[-1][0].date(), len(points), slope)


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


def free_bytes(workspace: Workspace) -> int:
    """What is free on the disk of the workspace's folder."""
    found = os.statvfs(workspace.root)
    return found.f_bavail * found.f_frsize


def latest_time(workspace: Workspace) -> datetime | None:
    """The latest time that a record of a refresh or the journal states, UTC; None if there is none."""
    times = [
        at for run in run_record.newest_first(workspace) for at in (run.started_at, run.ended_at) if at is not None
    ]
    with suppress(KitfareError, OSError, ValueError, KeyError):  # that is for other checks to say
        times += [reading.received_at for reading in journal.read_journal(workspace.archive).readings]
    return max(times, default=None)
