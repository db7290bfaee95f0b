"""Locks on files, which the operating system releases when a process ends, however it ends.

kitfare runs on Linux and macOS, whose Python has ``fcntl``. Commands that lock nothing work without it.
"""

from __future__ import annotations

from types import ModuleType

from pipelines.errors import KitfareError


def take_lock(handle: int, *, is_shared: bool = False) -> bool:
    """Take the lock of an open file, without waiting; False if another process has it.

    Args:
        handle: from ``os.open``; closing it releases the lock.
        is_shared: whether several processes may have it at the same time, all of them shared.

    Raises:
        KitfareError: the system has no such locks.
    """
    fcntl = _locks()
    try:
        fcntl.flock(handle, (fcntl.LOCK_SH if is_shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def wait_for_lock(handle: int) -> None:
    """Take the lock of an open file, once nobody else has it; only for locks that are kept for moments.

    Raises:
        KitfareError: the system has no such locks.
    """
    fcntl = _locks()
    fcntl.flock(handle, fcntl.LOCK_EX)


def _locks() -> ModuleType:
    try:
        import fcntl
    except ImportError:
        raise KitfareError(
            "kitfare cannot lock files on this system: it runs on Linux and macOS",
            state="nothing was changed",
            next_step="use one of those, on Windows for instance the Windows Subsystem for Linux (WSL)",
        ) from None
    return fcntl
