"""Locks on files that the operating system frees when a process ends, however it ends.

kitfare runs on Linux and macOS, whose Python has ``fcntl``. Commands that lock nothing work without it.
"""

from __future__ import annotations

from pipelines.errors import KitfareError


def is_taken(handle: int, *, is_shared: bool = False) -> bool:
    """Take the lock of an open file, without waiting; False if another process holds it.

    Args:
        handle: from ``os.open``; the lock is flexible when it is closed.
        is_shared: whether others may hold it in the same way at the same time.

    Raises:
        KitfareError: the system has no such locks.
    """
    try:
        import fcntl
    except ImportError:
        raise KitfareError(
            "kitfare cannot lock files on this system: it runs on Linux and macOS",
            state="nothing was changed",
            next_step="use one of those, on Windows for instance the Windows Subsystem for Linux (WSL)",
        ) from None
    try:
        fcntl.flock(handle, (fcntl.LOCK_SH if is_shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
