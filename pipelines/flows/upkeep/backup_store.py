"""A folder of backups: contents under their SHA-256 in ``files/``, and a list of one backup's files per ``backups/<number>-<hash>.json``.

Both are plain: any program that reads JSON and copies files can restore one. A list is written last, when all it names is on the disk,
and its name has the hash of its bytes. So a backup is whole or is not there, whatever was killed, and one never touches another.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO

from pipelines.errors import BusyError, InputError, KitfareError
from pipelines.flows import file_lock
from pipelines.intake.archiving import archive
from pipelines.plain_files import name_text

FORMAT = 1
"""Of the lists; a folder with a list of a higher one is of a newer kitfare."""

FILES, LISTS = "files", "backups"
_WRITING = ".writing-"
_BLOCK = 1 << 20


@dataclass(frozen=True)
class StoredFile:
    """Content of one file of a backup, and the permissions it had."""

    file_hash: str
    size: int
    mode: int


@dataclass(frozen=True)
class Backup:
    """One backup.

    Args:
        number: counts up in its folder.
        made_at: UTC, as text.
        software_version: of the kitfare that made it.
        layout: the number of the last migration that kitfare knew.
        price_file_count: price files that were taken in.
        latest_taken_at: when the last of them was, UTC, as text; empty if there is none.
        model_codes: the models.
        files: path below the workspace, as text, -> content.
    """

    number: int
    made_at: str
    software_version: str
    layout: int
    price_file_count: int
    latest_taken_at: str
    model_codes: tuple[str, ...]
    files: Mapping[str, StoredFile]

    @property
    def byte_count(self) -> int:
        """All its files together."""
        return sum(file.size for file in self.files.values())


def place_of(file_hash: str, folder: Path) -> Path:
    """Where a folder of backups has the content of a hash, whether or not it has it."""
    return archive.place_of(file_hash, folder / FILES)


def add_file(path: Path, folder: Path, known_hash: str = "") -> tuple[StoredFile, int]:
    """Put a file's content into the folder, unless it is there.

    Args:
        path: a plain file.
        folder: of backups.
        known_hash: the hash its name states, of an archived file; then it is not read where the folder has it.

    Returns:
        The content, and how many bytes the folder grew by.

    Raises:
        OSError: the file can't be read, changed meanwhile, or is not a plain file.
        InputError: its bytes do not have ``known_hash``.
        KitfareError: the folder can't be written to.
    """
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(handle, "rb") as source:
        before = os.fstat(handle)
        if not stat.S_ISREG(before.st_mode):
            raise OSError(None, "it is not a plain file", str(path))
        mode = stat.S_IMODE(before.st_mode)
        file_hash = known_hash or hashlib.file_digest(source, "sha256").hexdigest()
        place = place_of(file_hash, folder)
        if _has(place, before.st_size):
            return StoredFile(file_hash, before.st_size, mode), 0
        source.seek(0)
        with _writing(folder) as (target, temporary):
            copied = _copied(source, target, folder)
            if copied != file_hash or _changed(before, os.fstat(handle)):
                if known_hash:
                    raise InputError(f"{path.name} does not have the bytes of its name", where=str(path))
                raise OSError(None, "it was written to while it was read", str(path))
            with _folder_trouble(folder):
                place.parent.mkdir(parents=True, exist_ok=True)
                temporary.chmod(0o400)
                temporary.replace(place)
                _sync(place.parent)
    return StoredFile(file_hash, before.st_size, mode), before.st_size


def _has(place: Path, size: int) -> bool:
    try:
        return place.stat().st_size == size
    except OSError:
        return False


def _changed(before: os.stat_result, after: os.stat_result) -> bool:
    return (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns)


def _copied(source: BinaryIO, target: BinaryIO, folder: Path) -> str:
    """Copy all bytes to the disk, and return their hash."""
    digest = hashlib.sha256()
    while block := source.read(_BLOCK):
        digest.update(block)
        with _folder_trouble(folder):
            _write_all(target, block)
    with _folder_trouble(folder):
        os.fsync(target.fileno())
    return digest.hexdigest()


def _write_all(target: BinaryIO, content: bytes) -> None:
    """A disk that fills up takes a part of it first, and refuses the rest."""
    left = memoryview(content)
    while left:
        left = left[target.write(left) :]


@contextmanager
def _writing(folder: Path) -> Iterator[tuple[BinaryIO, Path]]:
    """A new file beside the others, without a buffer that would write again as it closes; it is gone afterwards unless it was renamed."""
    with _folder_trouble(folder):
        handle, name = tempfile.mkstemp(prefix=_WRITING, dir=folder)
    try:
        with os.fdopen(handle, "wb", buffering=0) as target:
            yield target, Path(name)
    finally:
        Path(name).unlink(missing_ok=True)


@contextmanager
def _folder_trouble(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise KitfareError(
            f"the folder of backups can't be written to: {error.strerror or error}",
            where=str(folder),
            state="the backups that were whole are whole; the workspace was not changed",
            next_step="check the free space and the permissions there, then run the command again",
        ) from None


@contextmanager
def only_backup(folder: Path) -> Iterator[None]:
    """Make the folder if need be, closed to others, and keep its lock; what a killed backup left half written goes first.

    Raises:
        BusyError: another backup is writing there.
        UsageError, KitfareError: the folder can't be made or written to.
    """
    with _folder_trouble(folder):
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle = os.open(folder / ".backup.lock", os.O_CREAT | os.O_RDWR, 0o600)
    try:
        if not file_lock.take_lock(handle):
            raise BusyError(
                "another backup is being written to this folder", where=str(folder), next_step="wait until it ends"
            )
        with _folder_trouble(folder):
            for leftover in folder.glob(f"{_WRITING}*"):
                leftover.unlink(missing_ok=True)
        yield
    finally:
        os.close(handle)


def write_list(backup: Backup, folder: Path) -> Path:
    """Write a backup's list: from then on the backup is there.

    Raises:
        KitfareError: the folder can't be written to.
    """
    facts = {name: value for name, value in vars(backup).items() if name not in ("number", "files")}
    files = {path: [file.file_hash, file.size, file.mode] for path, file in sorted(backup.files.items())}
    content = json.dumps({"format": FORMAT, **facts, "files": files}, indent=0).encode()
    place = folder / LISTS / f"{backup.number:06d}-{hashlib.sha256(content).hexdigest()}.json"
    with _writing(folder) as (target, temporary), _folder_trouble(folder):
        _write_all(target, content)
        os.fsync(target.fileno())
        place.parent.mkdir(exist_ok=True)
        temporary.chmod(0o400)
        temporary.replace(place)
        _sync(place.parent)
        _sync(folder)
    return place


def numbers(folder: Path) -> dict[int, Path]:
    """The backups there are, in order: number -> its list."""
    found = {int(path.name[:6]): path for path in (folder / LISTS).glob("*.json") if _NAME.fullmatch(path.name)}
    return dict(sorted(found.items()))


_NAME = re.compile(r"\d{6}-[0-9a-f]{64}\.json")


def read_list(path: Path) -> Backup:
    """One backup.

    Raises:
        InputError: its list was damaged or can't be read, or a newer kitfare made it.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise _unusable(f"the list can't be read: {error.strerror or error}", path) from None
    if hashlib.sha256(content).hexdigest() != path.stem.partition("-")[2]:
        raise _unusable("the list of this backup was damaged", path)
    found: dict[str, Any] = json.loads(content)
    if found.pop("format") > FORMAT:
        raise InputError(
            "this backup was made by a newer version of kitfare",
            where=f"{path}, kitfare {found.get('software_version')}",
            state="nothing was written",
            next_step="install that version",
        )
    found["files"] = {_safe(name, path): StoredFile(*file) for name, file in found["files"].items()}
    found["model_codes"] = tuple(found["model_codes"])
    return Backup(number=int(path.name[:6]), **found)


def _safe(name: str, path: Path) -> str:
    """A path that stays below the workspace."""
    if PurePosixPath(name).is_absolute() or not {"", ".", ".."}.isdisjoint(name.split("/")) or "\0" in name:
        raise _unusable(f"the list names a file outside of a workspace: {name_text(name)}", path)
    return name


def _unusable(what: str, path: Path) -> InputError:
    return InputError(
        what,
        where=str(path),
        state="nothing was written",
        next_step="restore another backup of the folder: `kitfare restore FOLDER` lists them",
    )


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
