"""Locks on files, which the operating system releases when a process ends, however it ends.

kitfare runs on Linux and macOS, whose Python has ``fcntl``. Commands that lock nothing work without it.
"""

from __future__ import annotations

from pipelines.errors import KitfareError


def take_lock(handle: int, *, is_shared: bool = False) -> bool:
    """Take the lock of an open file, without waiting; False if another process has it.

    Args:
        handle: from ``os.open``; closing it releases the lock.
        is_shared: whether several processes may have it at the same time, all of them shared.

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
