"""Reads and loads dropped files so that none of them stops the others, whatever is in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

from pipelines.file_faults import ended_the_process, fault_of_file
from pipelines.intake import quarantine
from pipelines.intake.take_in import TakenFile
from pipelines.plain_files import name_text
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import load
from pipelines.warehouse.price_history.messages import Message
from pipelines.workers import WorkerDiedError, alone, spread

Shared = TypeVar("Shared")
Item = TypeVar("Item")

MARK_NAME = ".file-being-read"
"""In the workspace, while a file is read in this process: names the file if that ends the process."""


class Reader:
    """Reads files one at a time in this process; one that ended an earlier process is read in a process of its own.

    Args:
        workspace_root: where the mark is kept between processes.
    """

    def __init__(self, workspace_root: Path) -> None:
        self._mark = workspace_root / MARK_NAME
        self._suspect = ""
        with suppress(OSError, UnicodeError):
            self._suspect = self._mark.read_text(encoding="utf-8")

    def read(
        self,
        key: str,
        work: Callable[[Shared, Item], TakenFile],
        shared: Shared,
        item: Item,
        died: Callable[[], TakenFile],
    ) -> TakenFile:
        """``work(shared, item)``.

        Args:
            key: what names the file in the mark.
            work: a function of a module.
            shared, item: its arguments.
            died: gives the answer for a file that ends the process reading it.
        """
        if key == self._suspect:
            try:
                return alone(work, shared, item)
            except WorkerDiedError:
                return died()
        # An aid for the next refresh alone: a disk that takes no mark must not stop this one.
        with suppress(OSError):
            self._mark.write_text(key, encoding="utf-8")
        try:
            return work(shared, item)
        finally:
            with suppress(OSError):
                self._mark.unlink(missing_ok=True)


def read_files(
    work: Callable[[Shared, Path], TakenFile],
    shared: Shared,
    paths: Sequence[Path],
    workers: int,
    workspace_root: Path,
    died: Callable[[Path], TakenFile],
) -> Iterator[tuple[Path, TakenFile]]:
    """Each path and ``work(shared, path)``, as they are finished.

    When a worker process dies, the files it and the others may have had are read again, each in a process of its own.

    Args:
        work: a function of a module.
        shared: given to every process once.
        paths: the files.
        workers: processes; with one, none is started unless a file ended an earlier process.
        workspace_root: see :class:`Reader`.
        died: gives the answer for a file that ends the process reading it.
    """
    if workers <= 1:
        reader = Reader(workspace_root)
        for path in paths:
            yield path, reader.read(name_text(path.name), work, shared, path, partial(died, path))
        return
    remaining = list(paths)
    while remaining:
        try:
            for path, taken in spread(work, shared, [(path, path) for path in remaining], workers):
                remaining.remove(path)
                yield path, taken
        except WorkerDiedError:
            # No more than so many were handed out and not answered; they were handed out in order.
            suspects, remaining = remaining[: 2 * workers], remaining[2 * workers :]
            for path in suspects:
                try:
                    yield path, alone(work, shared, path)
                except WorkerDiedError:
                    yield path, died(path)


def load_file(
    con: connect.Connection,
    taken: TakenFile,
    received_at: datetime,
    messages_for: Callable[[TakenFile, load.LoadStatus], Sequence[Message]] = lambda *_: (),
) -> tuple[TakenFile, load.LoadStatus]:
    """Load a file; one whose rows the warehouse does not take is quarantined whole, and leaves nothing else there.

    Args:
        con: from ``connect.writer``.
        taken: what intake made of the file.
        received_at: UTC.
        messages_for: as :func:`pipelines.warehouse.price_history.load.load_file` takes it, given what is loaded in the end.

    Returns:
        What was loaded (the file, or the file with its fault), and its status.
    """
    try:
        return taken, load.load_file(con, taken, received_at, lambda status: messages_for(taken, status))
    except BaseException as error:
        fault = fault_of_file(error, taken.file_name)
        if fault is None:
            raise
        refused = TakenFile(taken.file_hash, taken.file_name, error=fault)
        try:
            status = load.load_file(con, refused, received_at, lambda status: messages_for(refused, status))
        except Exception:
            # The fault was the warehouse's.
            raise error from None
        return refused, status


def write_quarantined(taken: TakenFile, quarantine_folder: Path) -> list[str]:
    """Write a file's quarantined rows for the user; where that fails, the warehouse still has them, and a sentence is returned."""
    try:
        quarantine.write_quarantined(taken, quarantine_folder)
    except BaseException as error:
        fault = fault_of_file(error, taken.file_name)
        if fault is None:
            raise
        return [f"{taken.file_name}: its quarantined rows are in the warehouse, but not in quarantine/. {fault}"]
    return []


def ended(file_hash: str, file_name: str) -> TakenFile:
    """What is made of a file that ends the process reading it."""
    return TakenFile(file_hash, file_name, error=ended_the_process(file_name))
