"""``back_up``: one consistent state of a workspace, also while a refresh is at work.

What can be made again is left out: the warehouse, ``generations/``, ``taken/``, caches and Prefect's folder. What shapes results is
small and changes at few moments, so it is read until it stood still all the while. The archive only grows and comes last, so it
has all that the journal names. Price files that a refresh has moved and its journal does not have yet count as still in ``inbox/``.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from pipelines import __version__
from pipelines.errors import InputError, KitfareError, UsageError
from pipelines.flows.runs import run_record
from pipelines.flows.upkeep import backup_store
from pipelines.flows.upkeep.backup_store import Backup, StoredFile
from pipelines.intake.archiving import archive, journal, taken_files
from pipelines.intake.archiving.still_written import is_named_unfinished
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.plain_files import name_from_text, name_text, oddity, safe_name
from pipelines.warehouse import connect
from pipelines.workspace import Workspace

STEADY = (
    "kitfare.toml", "profiles", "tables", "models", index_vintages.FOLDER, night_costs.FOLDER, f"archive/{journal.FOLDER}",
)  # fmt: skip
"""What shapes results: all of it is of one moment."""
MADE_AGAIN = ("warehouse.duckdb", "generations", "published", "taken")
"""What has one of these names, or begins with one and a dot, is not in a backup."""

LONGEST_WAIT = timedelta(seconds=60)
"""For a moment at which what is steady stands still."""

Progress = Callable[[str, int, int], None]


@dataclass
class Made:
    """A backup that was made.

    Args:
        backup: what it has.
        new_bytes: how much the folder grew by.
        left_out: files that could not be read, or that the archive has damaged, in sentences.
        moved_back: names of price files that count as still in the inbox.
    """

    backup: Backup
    new_bytes: int
    left_out: list[str] = field(default_factory=list)
    moved_back: list[str] = field(default_factory=list)


@dataclass
class _Collected:
    folder: Path
    files: dict[str, StoredFile] = field(default_factory=dict)
    new_bytes: int = 0
    left_out: list[str] = field(default_factory=list)

    def add(self, path: Path, name: str, known_hash: str = "") -> None:
        """Add a file; one that is gone meanwhile was moved or removed."""
        try:
            stored, grown = backup_store.add_file(path, self.folder, known_hash)
        except FileNotFoundError:
            return
        except OSError as error:
            self.left_out.append(f"{name_text(name)} could not be read: {error.strerror or error}")
            return
        except InputError:
            self.left_out.append(f"{name} is damaged in the archive; `kitfare verify` says what to do")
            return
        self.files[name_text(name)] = stored
        self.new_bytes += grown


def back_up(workspace: Workspace, folder: Path, progress: Progress = lambda *_: None) -> Made:
    """Add a backup to a folder; contents that the folder has are not copied again.

    Args:
        workspace: is only read.
        folder: of backups; made if need be.
        progress: called with a step's name, the files done and the number of files.

    Raises:
        UsageError: the folder is inside the workspace, or has something else in it.
        BusyError: another backup is writing there.
        InputError: the archive's journal is damaged.
        KitfareError: the folder can't be written to, or the workspace did not stand still.
    """
    _require_outside(workspace, folder)
    with backup_store.only_backup(folder):
        made_at = run_record.utc_now()
        collected = _Collected(folder)
        # Before the journal: a file is in one of these folders, or in the journal by the time that is read.
        progress("back up files that wait", 0, 0)
        for top in ("inbox", "quarantine"):
            for path, name in _files(workspace.root / top, top):
                collected.add(path, name)
        moved = [*_moved(workspace)]
        progress("back up what shapes results", 0, 0)
        book = _steady(workspace, collected)
        moved_back = _move_back(workspace, collected, moved, {reading.file_hash for reading in book.readings})
        for path, name in _others(workspace):
            collected.add(path, name)
        archived = sorted(path for path in workspace.archive.glob("??/*") if not path.name.startswith("."))
        for number, path in enumerate(archived):
            progress("back up the archive", number, len(archived))
            collected.add(path, f"archive/{path.parent.name}/{path.name}", path.name)
        backup = Backup(
            number=max(backup_store.numbers(folder), default=0) + 1,
            made_at=made_at.isoformat(timespec="seconds"),
            software_version=__version__,
            layout=connect.newest_layout(),
            price_file_count=len({reading.file_hash for reading in book.readings}),
            latest_taken_at=max((r.received_at.isoformat(timespec="seconds") for r in book.readings), default=""),
            model_codes=tuple(sorted({n.split("/")[1] for n in collected.files if n.startswith("models/") and n.endswith("/model.toml")})),
            files=collected.files,
        )  # fmt: skip
        backup_store.write_list(backup, folder)
    return Made(backup, collected.new_bytes, collected.left_out, moved_back)


def _require_outside(workspace: Workspace, folder: Path) -> None:
    place = folder.resolve()
    if place.is_relative_to(workspace.root.resolve()):
        raise UsageError(
            "a backup inside its workspace is lost with it",
            where=str(place),
            next_step="name a folder elsewhere, best on another disk",
        )
    if place.exists() and not place.is_dir():
        raise UsageError(f"{folder} is a file, not a folder", next_step="name a folder")
    if place.is_dir():
        foreign = sorted(path.name for path in place.iterdir() if path.name not in _OWN and path.name[:1] != ".")
        if foreign:
            raise UsageError(
                f"{folder} has something else in it: {name_text(foreign[0])}",
                state="nothing was written",
                next_step="name a new folder, or one of earlier backups",
            )


_OWN = (backup_store.FILES, backup_store.LISTS)


def _files(top: Path, name: str) -> Iterator[tuple[Path, str]]:
    """Plain files in a folder and below, also behind links, each with its path in the workspace; those by name unfinished are not."""
    if top.is_file():
        yield top, name
        return
    seen = set()
    for folder, folders, names in os.walk(top, followlinks=True):
        real = os.path.realpath(folder)
        if real in seen:  # a link that leads back up
            folders.clear()
            continue
        seen.add(real)
        folders[:] = sorted(each for each in folders if not each.startswith("."))
        for each in sorted(names):
            path = Path(folder) / each
            if not is_named_unfinished(each) and not oddity(path):
                yield path, f"{name}/{path.relative_to(top).as_posix()}"


def _steady(workspace: Workspace, collected: _Collected) -> journal.Journal:
    """What shapes results, all of one moment: read again as long as some of it changes meanwhile."""
    ends = time.monotonic() + LONGEST_WAIT.total_seconds()
    known: dict[str, tuple[int, ...]] = {}
    while True:
        before = _state(workspace)
        for name in known.keys() - before.keys():
            collected.files.pop(name_text(name), None)
        unread = len(collected.left_out)
        for name, state in before.items():
            if known.get(name) != state:
                collected.add(workspace.root / name, name)
        book = journal.read_journal(workspace.archive, anew=True)
        if _state(workspace) == before:
            return book
        del collected.left_out[unread:]
        known = {name: state for name, state in before.items() if name_text(name) in collected.files}
        if time.monotonic() > ends:
            raise KitfareError(
                "the workspace's settings and tables did not stand still",
                where=str(workspace.root),
                state="no backup was added; the earlier ones are whole",
                next_step="run the command again when nothing writes to them",
            )
        time.sleep(0.05)


def _state(workspace: Workspace) -> dict[str, tuple[int, ...]]:
    """Of every file of STEADY: what changes when it is written to or replaced."""
    found: dict[str, tuple[int, ...]] = {}
    for top in STEADY:
        for path, name in _files(workspace.root / top, top):
            try:
                seen = path.stat()
            except OSError:
                continue
            found[name] = (seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns)
    return found


def _moved(workspace: Workspace) -> Iterator[tuple[Path, str]]:
    """Files that a refresh took, each with the start of the hash it had then."""
    for path in sorted(workspace.taken.glob("*/*/*")):
        start = path.parent.name[: taken_files.HASH_DIGITS]
        if not path.name.startswith(".") and path.is_file() and not path.is_symlink():
            yield path, start


def _move_back(
    workspace: Workspace, collected: _Collected, moved: list[tuple[Path, str]], journalled: set[str]
) -> list[str]:
    """Put what was taken and is not in the journal back into the inbox, and what was written to since."""
    starts = {file_hash[: taken_files.HASH_DIGITS] for file_hash in journalled}
    changed = {found.path for found in taken_files.changed_files(workspace.taken, workspace.archive)}
    back = [path for path, start in moved if start not in starts or path in changed]
    # A file that is quarantined whole is in the archive too; if the journal does not have it, no rebuild would know it.
    for name, stored in list(collected.files.items()):
        is_archived = archive.place_of(stored.file_hash, workspace.archive).is_file()
        if name.startswith("quarantine/") and is_archived and stored.file_hash not in journalled:
            del collected.files[name]
            back.append(workspace.quarantined / name_from_text(name.removeprefix("quarantine/")))
    found = []
    for path in back:
        stored_before = len(collected.left_out)
        probe = _Collected(collected.folder)
        probe.add(path, path.name)
        collected.new_bytes += probe.new_bytes
        collected.left_out[stored_before:] = probe.left_out
        for stored in probe.files.values():
            name = f"inbox/{name_text(path.name)}"
            if collected.files.get(name, stored) != stored:
                name = f"inbox/{safe_name(path.name, f'.{stored.file_hash[:8]}')}"
            collected.files[name] = stored
            found.append(name_text(path.name))
    return found


def _others(workspace: Workspace) -> Iterator[tuple[Path, str]]:
    """Records of refreshes, and whatever else the user keeps in the workspace."""
    known = {*(name.split("/")[0] for name in STEADY), "inbox", "quarantine"}
    for path in sorted(workspace.root.iterdir()):
        made_again = any(path.name == name or path.name.startswith(f"{name}.") for name in MADE_AGAIN)
        if path.name not in known and not made_again and not path.name.startswith("."):
            yield from _files(path, path.name)
