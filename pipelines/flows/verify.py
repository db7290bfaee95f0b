"""Checks the archive, the warehouse and the published results of a workspace, with advice for every fault."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipelines.errors import CheckFailedError, InputError, KitfareError
from pipelines.flows.refresh import hash_of_inputs, only_refresh
from pipelines.intake.archiving import archive, journal
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load
from pipelines.warehouse.price_history import tables as warehouse_tables
from pipelines.warehouse.publishing import checks, generation
from pipelines.workspace import DATABASE, Workspace

_REBUILD = "run `kitfare rebuild`, then `kitfare refresh`"
_PUBLISH_AGAIN = "remove the link published and run `kitfare refresh`, which publishes the same inputs again"


@dataclass(frozen=True)
class Fault:
    """A fault: what is wrong, where, and what to do about it."""

    what: str
    where: str
    next_step: str


@dataclass(frozen=True)
class Verified:
    """What was checked, as text for people, and the faults found."""

    checked: list[str]
    faults: list[Fault]


def verify(workspace: Workspace, progress: Callable[[str, int, int], None] = lambda *_: None) -> Verified:
    """Check everything, change nothing, and go on after a fault.

    Raises:
        BusyError: a refresh is at work.
    """
    checked: list[str] = []
    faults: list[Fault] = []
    with only_refresh(workspace):
        for name, part in (
            ("the archive", _archive),
            ("the warehouse", _warehouse),
            ("what is published", _published),
        ):
            progress(f"check {name}", 0, 0)
            faults += part(workspace, checked)
    return Verified(checked, faults)


def _archive(workspace: Workspace, checked: list[str]) -> Iterator[Fault]:
    """Every file has the hash in its name, and every file that was ever used is there."""
    folder = workspace.archive
    found = {path.name: path for path in sorted(folder.glob("[0-9a-f][0-9a-f]/*"))}
    for name, path in found.items():
        if archive.hash_of(path) != name:
            yield Fault(
                "an archived file is damaged: its hash is not the one in its name",
                str(path),
                "restore it from a backup, or drop the file into inbox/ again and refresh",
            )
    needed: dict[str, str] = {}
    try:
        book = journal.read_journal(folder, anew=True)
    except InputError as error:
        yield Fault(error.what, error.where, error.next_step)
    else:
        needed = {**book.input_hashes, **{reading.file_hash: reading.file_name for reading in book.readings}}
        checked.append(f"archive: {len(found)} files, {book.page_count} pages of the journal")
        for name in sorted(found.keys() - needed.keys()):
            yield Fault(
                "an archived file is in no page of the journal: a refresh that was killed may have left it",
                str(found[name]),
                "run `kitfare refresh`; if the file stays, put it into inbox/ again or remove it",
            )
    if (page := journal.lost_newest_page(folder)) is not None:
        yield Fault(
            "the newest page of the archive's journal is missing",
            str(page),
            "restore it from a backup; without one, `kitfare refresh` writes down again what the warehouse knows",
        )
    for file_hash in sorted(needed.keys() - found.keys()):
        yield Fault(
            f"the archive has lost a file that was used: {needed[file_hash]}",
            str(archive.place_of(file_hash, folder)),
            "restore it from a backup, or drop the file into inbox/ again and refresh",
        )


def _warehouse(workspace: Workspace, checked: list[str]) -> Iterator[Fault]:
    """The history follows from its observations, every row is accounted for, and the journal has every file."""
    if not workspace.warehouse.is_file():
        if (workspace.archive / journal.FOLDER).is_dir():
            yield Fault("the warehouse is missing", str(workspace.warehouse), _REBUILD)
        return
    # A copy, because folding the history again writes.
    with tempfile.TemporaryDirectory(prefix=".verifying-", dir=workspace.root) as name:
        copy = Path(name) / workspace.warehouse.name
        for suffix in ("", ".wal"):
            source = workspace.warehouse.with_name(workspace.warehouse.name + suffix)
            if source.exists():
                shutil.copyfile(source, copy.with_name(copy.name + suffix))
        try:
            with connect.writer(copy) as con:
                yield from _history(workspace, con, checked)
        except connect.DATABASE_ERRORS as error:
            yield Fault(f"the warehouse is damaged: {str(error).splitlines()[0]}", str(workspace.warehouse), _REBUILD)


def _history(workspace: Workspace, con: connect.Connection, checked: list[str]) -> Iterator[Fault]:
    place = str(workspace.warehouse)
    files = load.readings(con)
    checked.append(f"warehouse: {sum(file.read_row_count for file in files)} rows read from {len(files)} files")
    for row in history.unaccounted_files(con):
        yield Fault(f"rows of {row} are not accounted for", place, _REBUILD)
    if history.is_pending(con):
        yield Fault(
            "the last refresh took in files and stopped before their prices came into the history",
            place,
            "run `kitfare refresh`",
        )
    else:
        mark = history.fingerprint(con)
        history.refold(con)
        if history.fingerprint(con) != mark:
            yield Fault("the price history does not follow from the rows received", place, _REBUILD)
    try:
        book = journal.read_journal(workspace.archive, anew=True)
    except InputError:
        return
    journaled = {reading.file_hash for reading in book.readings}
    for file in files:
        if file.file_hash not in journaled:
            yield Fault(
                f"{file.file_name} was taken in, but the archive's journal does not have it",
                place,
                "run `kitfare refresh`",
            )
    for file_hash in sorted(journaled - {file.file_hash for file in files}):
        yield Fault(f"the warehouse has lost a file that was taken in: {file_hash}", place, _REBUILD)


def _published(workspace: Workspace, checked: list[str]) -> Iterator[Fault]:
    """All published files are unchanged; those that readers see pass every check and agree with the warehouse."""
    if not workspace.published.is_symlink():
        return
    seen = workspace.published.resolve()
    if not (seen / DATABASE).is_file():
        yield Fault(
            "what is published is not there: the link names a generation that is gone or not whole",
            str(workspace.published),
            "run `kitfare refresh`: it publishes again",
        )
        return
    for folder in generation.generations(workspace):
        which = "" if folder == seen else " of an earlier refresh"
        for path, what in generation.changed_files(folder):
            advice = _PUBLISH_AGAIN if folder == seen else "remove that folder of generations/"
            yield Fault(f"a published file{which} {what}", str(path), advice)
    database = seen / DATABASE
    try:
        settings = workspace.settings()
        results = checks.run_checks(database, stale_after_days=settings.refresh.stale_after_days)
        checked.append(f"published: {seen.name}, {results.height} checks on its tables")
        yield from _agrees_with_warehouse(workspace, database)
    except CheckFailedError as error:
        yield Fault(error.what, error.where, _PUBLISH_AGAIN)
    except KitfareError as error:
        yield Fault(error.what, error.where or str(database), _PUBLISH_AGAIN)


def _agrees_with_warehouse(workspace: Workspace, database: Path) -> Iterator[Fault]:
    """If the warehouse has not changed since this was published, the published tables must equal its own."""
    if not workspace.warehouse.is_file():
        return
    with connect.reader(database) as seen:
        run = connect.frame_of(seen, "select any_value(inputs_hash), any_value(priced_on) from refresh_run").row(0)
        inputs = connect.frame_of(seen, "select input_path, file_hash from input_file")
        try:
            with connect.reader(workspace.warehouse) as con:
                if hash_of_inputs(inputs, history.fingerprint(con), run[1]) != run[0]:
                    return
                own = warehouse_tables.intake_tables(con)
        except connect.DATABASE_ERRORS:
            return
        for name, frame in own.items():
            published = connect.frame_of(seen, f"select {', '.join(frame.columns)} from {name}").cast(frame.schema)
            if not frame.sort(frame.columns).equals(published.sort(frame.columns)):
                yield Fault(f"the published table {name} differs from the warehouse's", str(database), _PUBLISH_AGAIN)
