"""Checks that all a workspace keeps is whole: archive, warehouse, published generations. Says how to correct what is not."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipelines.errors import CheckFailedError, InputError, KitfareError
from pipelines.flows.refresh import hash_of_inputs, only_refresh
from pipelines.intake.archiving import archive, journal
from pipelines.settings import Workspace
from pipelines.warehouse import checks, connect, generation, history, load
from pipelines.warehouse import tables as warehouse_tables

_REBUILD = "run `kitfare rebuild`, then `kitfare refresh`"
_PUBLISH_AGAIN = "remove the link published and run `kitfare refresh`: the same inputs are published again"


@dataclass(frozen=True)
class Fault:
    """Something that is not as it must be: what, where, and what to do about it."""

    what: str
    where: str
    next_step: str


@dataclass(frozen=True)
class Verified:
    """What was looked at, in words, and what is wrong with it."""

    looked_at: list[str]
    faults: list[Fault]


def verify(workspace: Workspace, progress: Callable[[str, int, int], None] = lambda *_: None) -> Verified:
    """Look at everything, change nothing, and go on after a fault.

    Raises:
        BusyError: a refresh is at work.
    """
    looked_at: list[str] = []
    faults: list[Fault] = []
    with only_refresh(workspace):
        for name, part in (
            ("the archive", _archive),
            ("the warehouse", _warehouse),
            ("what is published", _published),
        ):
            progress(f"look at {name}", 0, 0)
            faults += part(workspace, looked_at)
    return Verified(looked_at, faults)


def _archive(workspace: Workspace, looked_at: list[str]) -> Iterator[Fault]:
    """Every file has the hash it is named by, and every file that was ever used is there."""
    folder = workspace.archive
    found = {path.name: path for path in sorted(folder.glob("[0-9a-f][0-9a-f]/*"))}
    for name, path in found.items():
        if archive.hash_of(path) != name:
            yield Fault(
                "an archived file was damaged: its bytes have another hash than its name",
                str(path),
                "restore it from a backup, or drop the file into inbox/ again and refresh",
            )
    needed: dict[str, str] = {}
    try:
        book = journal.read_journal(folder)
    except InputError as error:
        yield Fault(error.what, error.where, error.next_step)
    else:
        needed = {**book.input_hashes, **{reading.file_hash: reading.file_name for reading in book.readings}}
        looked_at.append(f"archive: {len(found)} files, {book.page_count} pages of the journal")
        for name in sorted(found.keys() - needed.keys()):
            yield Fault(
                "an archived file is in no page of the journal: a refresh that was killed may have left it",
                str(found[name]),
                "run `kitfare refresh`; if it stays, it was dropped in vain: put it into inbox/ again, or remove it",
            )
    for file_hash in sorted(needed.keys() - found.keys()):
        yield Fault(
            f"the archive lacks a file that was used: {needed[file_hash]}",
            str(archive.place_of(file_hash, folder)),
            "restore it from a backup, or drop the file into inbox/ again and refresh",
        )


def _warehouse(workspace: Workspace, looked_at: list[str]) -> Iterator[Fault]:
    """The history is what its observations give, every row is accounted for, and the journal knows every file."""
    if not workspace.warehouse.is_file():
        if (workspace.archive / journal.FOLDER).is_dir():
            yield Fault("the warehouse is not there", str(workspace.warehouse), _REBUILD)
        return
    # A copy, because remaking the history writes.
    with tempfile.TemporaryDirectory(prefix=".verifying-", dir=workspace.root) as name:
        copy = Path(name) / workspace.warehouse.name
        for suffix in ("", ".wal"):
            source = workspace.warehouse.with_name(workspace.warehouse.name + suffix)
            if source.exists():
                shutil.copyfile(source, copy.with_name(copy.name + suffix))
        try:
            with connect.writer(copy) as con:
                yield from _history(workspace, con, looked_at)
        except connect.DATABASE_ERRORS as error:
            yield Fault(f"the warehouse is damaged: {str(error).splitlines()[0]}", str(workspace.warehouse), _REBUILD)


def _history(workspace: Workspace, con: connect.Connection, looked_at: list[str]) -> Iterator[Fault]:
    place = str(workspace.warehouse)
    files = load.readings(con)
    looked_at.append(f"warehouse: {sum(file.read_row_count for file in files)} rows read from {len(files)} files")
    for row in history.unaccounted_files(con):
        yield Fault(f"rows of {row} are not accounted for", place, _REBUILD)
    if history.is_pending(con):
        yield Fault("the last refresh did not fold what it took in", place, "run `kitfare refresh`")
    else:
        mark = history.fingerprint(con)
        history.refold(con)
        if history.fingerprint(con) != mark:
            yield Fault("the price history is not what the rows received give", place, _REBUILD)
    try:
        book = journal.read_journal(workspace.archive)
    except InputError:
        return
    journaled = {reading.file_hash for reading in book.readings}
    for file in files:
        if file.file_hash not in journaled:
            yield Fault(
                f"{file.file_name} was taken in, and the archive's journal does not know it",
                place,
                "run `kitfare refresh`",
            )
    for file_hash in sorted(journaled - {file.file_hash for file in files}):
        yield Fault(f"the warehouse lacks a file that was taken in: {file_hash}", place, _REBUILD)


def _published(workspace: Workspace, looked_at: list[str]) -> Iterator[Fault]:
    """Every generation has the bytes it was published with; the one readers see passes every check and fits the warehouse."""
    if not workspace.published.is_symlink():
        return
    seen = workspace.published.resolve()
    if not (seen / generation.DATABASE_NAME).is_file():
        yield Fault(
            "what is published is not there: the link names a generation that is gone or not whole",
            str(workspace.published),
            "run `kitfare refresh`: it publishes again",
        )
        return
    for folder in generation.generations(workspace):
        reported = "" if folder == seen else " of an earlier generation, which goes by itself,"
        for path, what in generation.changed_files(folder):
            advice = _PUBLISH_AGAIN if folder == seen else "remove the folder of that generation"
            yield Fault(f"a published file{reported} {what}", str(path), advice)
    database = seen / generation.DATABASE_NAME
    try:
        settings = workspace.settings()
        results = checks.run_checks(database, stale_after_days=settings.refresh.stale_after_days)
        looked_at.append(f"published: {seen.name}, {results.height} checks on its tables")
        yield from _fits_warehouse(workspace, database)
    except CheckFailedError as error:
        yield Fault(error.what, error.where, _PUBLISH_AGAIN)
    except KitfareError as error:
        yield Fault(error.what, error.where or str(database), _PUBLISH_AGAIN)


def _fits_warehouse(workspace: Workspace, database: Path) -> Iterator[Fault]:
    """If the warehouse is still as it was when this generation was made, its tables must be those of the warehouse."""
    if not workspace.warehouse.is_file():
        return
    with connect.reader(database) as seen:
        run = connect.frame_of(seen, "select any_value(inputs_hash), any_value(priced_on) from refresh_run").row(0)
        inputs = connect.frame_of(seen, "select input_path, file_hash from input_file")
        try:
            with connect.reader(workspace.warehouse) as con:
                if hash_of_inputs(inputs, history.fingerprint(con), run[1]) != run[0]:
                    return
                ours = warehouse_tables.intake_tables(con)
        except connect.DATABASE_ERRORS:
            return
        for name, frame in ours.items():
            published = connect.frame_of(seen, f"select {', '.join(frame.columns)} from {name}").cast(frame.schema)
            if not frame.sort(frame.columns).equals(published.sort(frame.columns)):
                yield Fault(f"the published table {name} is not the warehouse's", str(database), _PUBLISH_AGAIN)
