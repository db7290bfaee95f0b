"""The content-addressed archive: every input's bytes under their SHA-256, at archive/ab/<hash>, never changed."""

from __future__ import annotations

import hashlib
import os
import stat
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from pipelines.errors import InputError
from pipelines.plain_files import name_text

_BLOCK = 1 << 20
_READ_ONLY = 0o444


def store(path: Path, archive_folder: Path) -> str:
    """Copy a file into the archive and return the SHA-256 of what was copied.

    The bytes are hashed while they are copied, from one read, so that a file replaced meanwhile can't get another
    file's hash. A file that is written to meanwhile is refused: the copy may be half old, half new. A kill leaves at
    most a temporary file, which :func:`clean_leftovers` removes.

    Raises:
        InputError: the file cannot be read, or is being written, or the archive cannot be written.
    """
    try:
        # Without O_NONBLOCK, opening a named pipe would wait for a writer without end.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as source:
            before = os.fstat(handle)
            if not stat.S_ISREG(before.st_mode):
                raise OSError("it is not a plain file")
            return _store(source, archive_folder, lambda: _is_unchanged(before, os.fstat(handle)))
    except OSError as error:
        raise InputError(
            f"the file cannot be copied into the archive: {error.strerror or error}",
            where=f"{name_text(str(path))}, archive {archive_folder}",
            state="it stays where it is",
            next_step="check its permissions and the free space of the disk",
        ) from None


def _is_unchanged(before: os.stat_result, after: os.stat_result) -> bool:
    return (before.st_size, before.st_mtime_ns) == (after.st_size, after.st_mtime_ns)


def _store(source: BinaryIO, archive_folder: Path, is_unchanged: Callable[[], bool]) -> str:
    archive_folder.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=".storing-", dir=archive_folder)
    try:
        digest = hashlib.sha256()
        with os.fdopen(handle, "wb") as target:
            while block := source.read(_BLOCK):
                digest.update(block)
                target.write(block)
            if not is_unchanged():
                raise OSError("it was written to while it was read")
            target.flush()
            os.fsync(target.fileno())
        Path(temporary).chmod(_READ_ONLY)
        final = place_of(digest.hexdigest(), archive_folder)
        if not (final.is_file() and hash_of(final) == digest.hexdigest()):
            final.parent.mkdir(exist_ok=True)
            Path(temporary).replace(final)
            _sync_folder(final.parent)
            _sync_folder(archive_folder)
        return digest.hexdigest()
    finally:
        Path(temporary).unlink(missing_ok=True)


def fetch(file_hash: str, archive_folder: Path) -> Path:
    """Where the archive keeps the bytes of a hash, after checking that they still have this hash.

    Raises:
        InputError: they are not there, or were damaged.
    """
    place = place_of(file_hash, archive_folder)
    if not place.is_file():
        raise InputError(
            f"the archive has no file {file_hash}",
            where=str(archive_folder),
            next_step="restore the archive from a backup, or drop the file again",
        )
    if hash_of(place) != file_hash:
        raise InputError(
            f"the archived file {file_hash} was damaged: its bytes have another hash",
            where=str(place),
            next_step="remove it and restore it from a backup, or drop the file again",
        )
    return place


def hash_of(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def clean_leftovers(archive_folder: Path) -> None:
    """Remove temporary files that a killed process left."""
    for leftover in archive_folder.glob(".storing-*"):
        leftover.unlink(missing_ok=True)


def place_of(file_hash: str, archive_folder: Path) -> Path:
    """Where the archive keeps the bytes of a hash, whether or not it has them."""
    return archive_folder / file_hash[:2] / file_hash


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
