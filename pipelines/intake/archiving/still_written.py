"""Which files someone may still be writing: those that change, and those that a process has open for writing.

Linux says by a lease who has a file open for writing, whoever that is: it is refused then. A lease needs a file of the
user's own (or the superuser). Where there is none, the open files in /proc count: those of the user's own processes,
or of all for the superuser. Elsewhere, and for writers on other machines, only stillness shows it.
"""

from __future__ import annotations

import errno
import os
import re
import signal
import stat
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

LOCAL_FILE_SYSTEMS = frozenset(("bcachefs", "btrfs", "ext2", "ext3", "ext4", "f2fs", "overlay", "tmpfs", "xfs", "zfs"))
"""Where a refused lease means a writer. Network file systems refuse it for reasons of their own."""

_Seen = tuple[int, int, int]


def is_named_unfinished(file_name: str) -> bool:
    """Whether a name says that its file is not whole yet; a refresh leaves such a file alone."""
    return file_name.startswith(".") or file_name.endswith((".part", ".tmp", "~"))


def still_written(paths: Sequence[Path], quiet_seconds: float) -> dict[Path, str]:
    """The files that may not be whole yet, and how that shows, in words that follow "because".

    Files that last changed longer ago than ``quiet_seconds`` need no waiting; for the others this waits once, at most so long.

    Args:
        paths: plain files; one that is gone meanwhile is not named.
        quiet_seconds: how long a file must not have changed.
    """
    before = {path: _seen(path) for path in paths}
    pause = max((_pause(seen, quiet_seconds) for seen in before.values() if seen), default=0.0)
    if pause > 0:
        time.sleep(pause)
    changing = {path for path, seen in before.items() if seen and _seen(path) != seen}
    found = dict.fromkeys(changing, f"it changed within the last {quiet_seconds:g} seconds")
    open_ones = _open_for_writing([path for path in paths if path not in changing])
    return found | dict.fromkeys(open_ones, "a program has it open for writing")


def _seen(path: Path) -> _Seen | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


def _pause(seen: _Seen, quiet_seconds: float) -> float:
    """Seconds after which a file is still if it did not change; a time in the future says nothing about its age."""
    age = time.time() - seen[2] / 1e9
    return quiet_seconds - age if age >= 0 else quiet_seconds


def _open_for_writing(paths: Sequence[Path]) -> list[Path]:
    answers = {path: _by_lease(path) for path in paths}
    unknown = [path for path in paths if answers[path] is None]
    if unknown:
        answers |= _by_processes(unknown)
    return [path for path in paths if answers[path]]


def _by_lease(path: Path) -> bool | None:
    """Whether anyone has a file open for writing; None where no lease says so."""
    try:
        import fcntl

        take, shared, give_back, by_signal = fcntl.F_SETLEASE, fcntl.F_RDLCK, fcntl.F_UNLCK, fcntl.F_SETSIG
    except (ImportError, AttributeError):
        return None
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        # A writer who comes now causes a signal, and the usual one ends the process; this one is ignored.
        fcntl.fcntl(handle, by_signal, signal.SIGURG)
        fcntl.fcntl(handle, take, shared)
        fcntl.fcntl(handle, take, give_back)
    except OSError as error:
        is_refused = error.errno == errno.EAGAIN
        return True if is_refused and _file_system(path) in LOCAL_FILE_SYSTEMS else None
    finally:
        os.close(handle)
    return False


def _file_system(path: Path) -> str:
    """The kind of file system a file is on; empty if not known."""
    try:
        lines = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return ""
    place, deepest, kind = path.resolve(), -1, ""
    for line in lines:
        fields = line.split(" ")
        mounted = Path(re.sub(r"\\([0-7]{3})", lambda code: chr(int(code[1], 8)), fields[1]))
        # The last of several mounts on one place is the one that shows.
        if place.is_relative_to(mounted) and len(mounted.parts) >= deepest:
            deepest, kind = len(mounted.parts), fields[2]
    return kind


def _by_processes(paths: Sequence[Path]) -> dict[Path, bool]:
    """Whether a process that this user may look into has a file open for writing."""
    files = {}
    for path in paths:
        with suppress(OSError):
            found = path.stat()
            files[found.st_dev, found.st_ino] = path
    open_ones = set()
    for handle in _handles():
        with suppress(OSError, ValueError):
            found = handle.stat()
            path_of = files.get((found.st_dev, found.st_ino))
            if path_of is not None and stat.S_ISREG(found.st_mode) and _is_for_writing(handle):
                open_ones.add(path_of)
    return {path: path in open_ones for path in paths}


def _handles() -> list[Path]:
    found: list[Path] = []
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            found += (process / "fd").iterdir()
    return found


def _is_for_writing(handle: Path) -> bool:
    """From the flags of an open file; ValueError if there are none."""
    text = (handle.parents[1] / "fdinfo" / handle.name).read_text(encoding="ascii")
    flags = re.search(r"(?m)^flags:\s*([0-7]+)", text)
    if flags is None:
        raise ValueError(text)
    return int(flags[1], 8) & os.O_ACCMODE != os.O_RDONLY
