"""What runs in processes of its own while backups and restores are killed or the disk is full."""

from __future__ import annotations

import os
import resource
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipelines.errors import KitfareError
from pipelines.flows.upkeep import backup, restore
from pipelines.workspace import Workspace


def back_up_in(root: str, folder: str, channel: Any, fault: str, argument: int) -> None:
    """A backup under a fault; says ("done", number) or ("error", words)."""
    _run(channel, fault, argument, lambda: backup.back_up(Workspace(Path(root)), Path(folder)).backup.number)


def restore_in(folder: str, target: str, channel: Any, fault: str, argument: int) -> None:
    """A restore of the newest backup under a fault; says ("done", 0) or ("error", words)."""

    def work() -> int:
        restore.restore(restore.chosen(Path(folder), None), Path(folder), Path(target))
        return 0

    _run(channel, fault, argument, work)


def _run(channel: Any, fault: str, argument: int, work: Callable[[], int]) -> None:
    if fault == "kill":
        _die_at_disk_call(argument)
    elif fault == "file size":
        # The signal would end the process; ignored, the call fails as on a full disk.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (argument, argument))
    try:
        channel.send(("done", work()))
    except KitfareError as error:
        channel.send(("error", str(error)))


def _die_at_disk_call(number: int) -> None:
    """Kill this process before its n-th call that makes something lasting: a sync or a rename."""
    left = [number]

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any) -> Any:
            left[0] -= 1
            if not left[0]:
                os.kill(os.getpid(), signal.SIGKILL)
            return real(*arguments)

        return call

    os.fsync = counted(os.fsync)
    for name in ("replace", "rename"):
        setattr(Path, name, counted(getattr(Path, name)))
