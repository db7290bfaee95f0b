"""``restore``: a new workspace from a backup. Everything is written beside and checked; one rename puts it in its place."""

from __future__ import annotations

import glob
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipelines.errors import InputError, KitfareError, UsageError
from pipelines.flows import file_lock
from pipelines.flows.upkeep import backup_store
from pipelines.flows.upkeep.backup_store import Backup, StoredFile
from pipelines.plain_files import name_from_text
from pipelines.warehouse import connect

_BLOCK = 1 << 20
Progress = Callable[[str, int, int], None]


def chosen(folder: Path, number: int | None) -> Backup:
    """A backup of a folder: the newest, or the one of a number.

    Raises:
        UsageError: there is none, or none of that number.
        InputError: its list is damaged, or a newer kitfare made it.
    """
    lists = backup_store.numbers(folder)
    if not lists:
        raise UsageError(
            "there is no backup here", where=str(folder), next_step="name a folder that `kitfare backup` wrote"
        )
    if number is not None and number not in lists:
        raise UsageError(
            f"there is no backup {number}", where=str(folder), next_step=f"there are {', '.join(map(str, lists))}"
        )
    backup = backup_store.read_list(lists[number if number is not None else max(lists)])
    if backup.layout > connect.newest_layout():
        raise InputError(
            "this backup was made by a newer version of kitfare",
            where=f"kitfare {backup.software_version}, layout {backup.layout}; this one knows {connect.newest_layout()}",
            state="nothing was written",
            next_step="install that version",
        )
    return backup


def faults(backup: Backup, folder: Path, progress: Progress = lambda *_: None) -> Iterator[str]:
    """What a backup lacks or has damaged, a sentence each; reads every byte of it."""
    for done, (name, file) in enumerate(backup.files.items()):
        progress("check the backup", done, len(backup.files))
        place = backup_store.place_of(file.file_hash, folder)
        try:
            if _copied(place, None) != file.file_hash:
                yield f"{name} is damaged: {place}"
        except FileNotFoundError:
            yield f"{name} is missing: {place}"
        except OSError as error:
            yield f"{name} can't be read: {error.strerror or error} ({place})"


def require_free(target: Path) -> None:
    """Refuse a place where something is.

    Raises:
        UsageError: it is a workspace, a file, or a folder with something in it.
    """
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise UsageError(
            f"{target} is no folder", state="nothing was written", next_step="give the name of a new folder"
        )
    if target.is_dir() and any(target.iterdir()):
        is_workspace = (target / "kitfare.toml").exists()
        raise UsageError(
            f"{target} is a workspace already" if is_workspace else f"{target} is not empty",
            state="nothing was written: a restore never overwrites",
            next_step="give the name of a new folder; move the old one away first if the name matters",
        )


def restore(backup: Backup, folder: Path, target: Path, progress: Progress = lambda *_: None) -> None:
    """Write the workspace of a backup to a new place; all of it, or nothing.

    Args:
        backup: of the folder.
        folder: of backups.
        target: a new name, or an empty folder.
        progress: called with a step's name, the files done and the number of files.

    Raises:
        UsageError: something is at the target.
        InputError: a file of the backup is missing or damaged.
        KitfareError: the target can't be written to.
    """
    require_free(target)
    place = Path(os.path.abspath(target))  # noqa: PTH100 (a link must not be followed)
    try:
        with _beside(place) as beside:
            for done, (name, file) in enumerate(backup.files.items()):
                progress("restore", done, len(backup.files))
                _write(beside / name_from_text(name), file, name, folder)
            for each in (path for path in (beside, *beside.rglob("*")) if path.is_dir()):
                _sync(each)
            beside.rename(place)
            _sync(place.parent)
    except OSError as error:
        raise KitfareError(
            f"the workspace can't be written: {error.strerror or error}",
            where=str(getattr(error, "filename", None) or place),
            state="there is no restored workspace; the backup was only read",
            next_step="check the free space and the permissions there, then run the command again",
        ) from None


@contextmanager
def _beside(place: Path) -> Iterator[Path]:
    """A new folder beside, gone afterwards unless it was renamed; those that killed restores left are removed first."""
    place.parent.mkdir(parents=True, exist_ok=True)
    prefix = f".{place.name}.restoring-"
    for leftover in place.parent.glob(f"{glob.escape(prefix)}*"):
        with _locked(leftover) as is_ours:
            if is_ours:
                shutil.rmtree(leftover, ignore_errors=True)
    beside = Path(tempfile.mkdtemp(prefix=prefix, dir=place.parent))
    try:
        with _locked(beside):
            yield beside
    finally:
        shutil.rmtree(beside, ignore_errors=True)


@contextmanager
def _locked(folder: Path) -> Iterator[bool]:
    """Whether this process got the folder's lock: nobody else writes there."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        yield file_lock.take_lock(handle)
    finally:
        os.close(handle)


def _write(path: Path, file: StoredFile, name: str, folder: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    place = backup_store.place_of(file.file_hash, folder)
    if not place.is_file():
        raise _damaged(f"the backup lacks {name}", place)
    if _copied(place, path) != file.file_hash:
        raise _damaged(f"{name} was damaged in the backup", place)
    path.chmod(file.mode)


def _copied(source: Path, target: Path | None) -> str:
    """The hash of a file's bytes, which are copied to the target on the way."""
    digest = hashlib.sha256()
    with source.open("rb") as reading:
        if target is None:
            return hashlib.file_digest(reading, "sha256").hexdigest()
        with target.open("xb") as writing:
            while block := reading.read(_BLOCK):
                digest.update(block)
                writing.write(block)
            writing.flush()
            os.fsync(writing.fileno())
    return digest.hexdigest()


def _damaged(what: str, place: Path) -> InputError:
    return InputError(
        what,
        where=str(place),
        state="there is no restored workspace",
        next_step="`kitfare restore FOLDER --check` names all that is damaged; restore another backup with --number",
    )


def _sync(folder: Path) -> None:
    with suppress(OSError):  # some network file systems sync no folders
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
