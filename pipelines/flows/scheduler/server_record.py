"""Where the workspace's Prefect server is, and the secret it asks for: a file that only its owner can read.

The process that started the server keeps the file locked, and empties it at its end. The system releases the lock when
that process ends, however it ends, so a file that is not locked is about no server.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from pipelines.errors import BusyError, KitfareError
from pipelines.flows.file_lock import take_lock
from pipelines.workspace import Workspace

NAME = "server.json"
LOCK_SECONDS = 2
"""How long to try for the lock: those who only look whether a server runs take it for a moment."""


@dataclass(frozen=True)
class ServerRecord:
    """A running server.

    Args:
        url: of its API.
        secret: ``user:password``, made for this server alone.
        process_id: the server's own.
    """

    url: str
    secret: str
    process_id: int


def prefect_home(workspace: Workspace) -> Path:
    """The folder of everything Prefect writes."""
    return workspace.root.resolve() / ".prefect"


def private_home(workspace: Workspace) -> Path:
    """The same folder, made if need be, with access for its owner alone.

    Raises:
        KitfareError: it belongs to somebody else, or others keep access to it.
    """
    home = prefect_home(workspace)
    try:
        home.mkdir(mode=0o700, exist_ok=True)
        found = home.stat()
        if found.st_uid == os.geteuid() and not _is_private(found):
            home.chmod(0o700)
            found = home.stat()
    except OSError as error:
        raise KitfareError(
            f"the folder of Prefect cannot be used: {error.strerror}",
            where=str(home),
            next_step="`kitfare refresh` works without it",
        ) from None
    if not _is_private(found):
        raise KitfareError(
            "the folder of Prefect must belong to you, and be closed to others",
            where=str(home),
            next_step="remove it (it holds records of runs only), or use `kitfare refresh`, which works without it",
        )
    return home


def _is_private(found: os.stat_result) -> bool:
    """Whether a file or folder belongs to this user, and is closed to others."""
    return found.st_uid == os.geteuid() and not found.st_mode & 0o077


def read_record(workspace: Workspace) -> tuple[bool, ServerRecord | None]:
    """Whether a process has the workspace's server, and the server once it answers. Somebody else's server is none."""
    try:
        handle = os.open(prefect_home(workspace) / NAME, os.O_RDONLY | os.O_NOFOLLOW)
    except OSError:  # none yet, or not for us
        return False, None
    try:
        if not _is_private(os.fstat(handle)) or take_lock(handle, is_shared=True):
            return False, None
        with suppress(ValueError, TypeError):
            return True, ServerRecord(**json.loads(os.read(handle, 4096)))
        return True, None
    finally:
        os.close(handle)


@contextmanager
def locked_record(workspace: Workspace) -> Iterator[Callable[[ServerRecord], None]]:
    """Have the workspace's server as long as the block; the function given says where it is, once it answers.

    Raises:
        BusyError: another process has it.
        KitfareError: the folder is not this user's alone.
    """
    home = private_home(workspace)
    handle = os.open(home / NAME, os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, 0o600)
    try:
        deadline = time.monotonic() + LOCK_SECONDS
        while not take_lock(handle):
            if time.monotonic() > deadline:
                _, record = read_record(workspace)
                raise BusyError(
                    "the workspace's Prefect server runs already",
                    where=record.url if record else str(home),
                    next_step="stop the schedule or refresh that runs it (Ctrl-C there), or wait for it to end",
                )
            time.sleep(0.05)
        os.fchmod(handle, 0o600)
        os.truncate(handle, 0)
        try:
            yield lambda record: _write(handle, record)
        finally:
            os.truncate(handle, 0)
    finally:
        os.close(handle)


def _write(handle: int, record: ServerRecord) -> None:
    os.pwrite(handle, (json.dumps(asdict(record), indent=2) + "\n").encode(), 0)
