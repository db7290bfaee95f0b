"""Files that were taken in, in taken/<day>/<start of hash>/<name>: kept for a time, because a writer may still have one open.

The folder names the bytes that were archived. A file with other bytes than these was written to after it was taken.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from pipelines.errors import InputError
from pipelines.intake.archiving import archive
from pipelines.intake.archiving.still_written import still_written
from pipelines.plain_files import name_from_text, name_text, safe_name

HASH_DIGITS = 12
_WRITING = ".writing-"


@dataclass(frozen=True)
class ChangedFile:
    """A file whose bytes are no longer those that were taken in; ``what`` says it in a sentence without its name."""

    path: Path
    what: str


def keep(path: Path, file_hash: str, day: date, taken_folder: Path) -> Path:
    """Move a file whose bytes are archived to its place in taken/, and never over another file.

    Raises:
        InputError: it cannot be moved; it is where it was.
    """
    place = taken_folder / day.isoformat() / file_hash[:HASH_DIGITS]
    number = 1
    target = place / path.name
    # The same bytes under the same name, again on this day: the first one may still be written to.
    while os.path.lexists(target):
        number += 1
        target = place.with_name(f"{place.name}-{number}") / path.name
    move(path, target, file_hash)
    with suppress(OSError):
        if path.is_relative_to(taken_folder):
            path.parent.rmdir()
    return target


def move(path: Path, target: Path, file_hash: str) -> None:
    """Move a file with these bytes by one rename; onto another file system by a copy, while nobody writes to the file.

    Raises:
        InputError: it cannot be moved; it is where it was.
    """
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            path.rename(target)
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
            _copy(path, target)
            # What a writer adds to a removed file is lost, so it stays until nobody writes to it.
            if still_written([path], 0) or archive.hash_of(path) != file_hash:
                target.unlink()
                return
            path.unlink()
    except OSError as error:
        raise InputError(
            f"{name_text(path.name)} cannot be moved to {target.parent}: {error.strerror or error}",
            where=name_text(str(path)),
            state="it was taken in and stays where it is; the next refresh knows it",
            next_step="check the permissions and the free space of the disk, then refresh again",
        ) from None


def _copy(path: Path, target: Path) -> None:
    handle, temporary = tempfile.mkstemp(prefix=_WRITING, dir=target.parent)
    os.close(handle)
    try:
        shutil.copy2(path, temporary)
        Path(temporary).rename(target)
    finally:
        Path(temporary).unlink(missing_ok=True)


def changed_files(taken_folder: Path, archive_folder: Path) -> Iterator[ChangedFile]:
    """Files in taken/ that were written to since, or whose bytes the archive has lost.

    A file is read again only if its size is another one, or if it was last written to after it was moved: the move sets
    its time of change, and what is written later sets both times.
    """
    for path in _files(taken_folder):
        start, day = path.parent.name[:HASH_DIGITS], path.parent.parent.name
        archived = _archived(start, archive_folder)
        if archived is None:
            yield ChangedFile(path, f"taken in on {day} as {start}, which the archive has lost; taken in again")
            continue
        found, size_then = path.stat(), archived.stat().st_size
        is_touched = found.st_mtime_ns >= found.st_ctime_ns
        if found.st_size != size_then or (is_touched and archive.hash_of(path)[:HASH_DIGITS] != start):
            yield ChangedFile(path, _changed(f"after it was taken in on {day}", start, size_then, found.st_size))


def grown_files(
    quarantine_folder: Path, quarantined: Iterable[tuple[str, str]], archive_folder: Path
) -> Iterator[ChangedFile]:
    """Files that were quarantined whole and have grown since: a writer added to them. Other changes are a person's.

    Args:
        quarantine_folder: the workspace's quarantine/.
        quarantined: name as text and hash of each file quarantined whole.
        archive_folder: the workspace's archive.
    """
    seen = set()
    for name, file_hash in quarantined:
        archived = archive.place_of(file_hash, archive_folder)
        for path in (quarantine_folder / each for each in quarantined_names(name_from_text(name), file_hash)):
            if path in seen or path.is_symlink() or not path.is_file() or not archived.is_file():
                continue
            size_then, size_now = archived.stat().st_size, path.stat().st_size
            if size_now > size_then and _hash_of_start(path, size_then) == file_hash:
                seen.add(path)
                yield ChangedFile(path, _changed("in quarantine/", file_hash[:HASH_DIGITS], size_then, size_now))


def _changed(when: str, start: str, size_then: int, size_now: int) -> str:
    return (
        f"was written to {when} ({size_then} bytes then, {size_now} now), so it is taken in again as a new file; "
        f"`kitfare withdraw {start}` removes what the first one gave"
    )


def quarantined_names(name: str, file_hash: str) -> Iterator[str]:
    """Names for a file in quarantine/: its own, then, where another file has that, with more and more of its hash."""
    yield safe_name(name)
    for digits in (8, 16, len(file_hash)):
        yield safe_name(name, f".{file_hash[:digits]}")


def old_files(taken_folder: Path, changed: Sequence[Path], today: date, keep_days: int) -> list[Path]:
    """Files taken in more than ``keep_days`` ago, but the changed ones: the archive has the bytes of the others."""
    first_kept = today - timedelta(days=keep_days)
    old = [path for path in _files(taken_folder) if date.fromisoformat(path.parent.parent.name) < first_kept]
    old = [path for path in old if path not in changed]
    return sorted(set(old) - still_written(old, 0).keys())


def remove_old(taken_folder: Path, changed: Sequence[Path], today: date, keep_days: int) -> None:
    """Remove the old files, and folders that are empty then."""
    for path in old_files(taken_folder, changed, today, keep_days):
        with suppress(OSError):
            path.unlink()
            path.parent.rmdir()
            path.parent.parent.rmdir()


def _files(taken_folder: Path) -> list[Path]:
    """Files where :func:`keep` puts them; whatever else lies there is not kitfare's."""
    found = []
    for path in taken_folder.glob("*/*/*"):
        is_ours = re.fullmatch(rf"[0-9a-f]{{{HASH_DIGITS}}}(-\d+)?", path.parent.name) and not path.is_symlink()
        with suppress(ValueError):
            date.fromisoformat(path.parent.parent.name)
            if is_ours and path.is_file() and not path.name.startswith(_WRITING):
                found.append(path)
    return sorted(found)


def _archived(start: str, archive_folder: Path) -> Path | None:
    return next(iter(sorted((archive_folder / start[:2]).glob(f"{start}*"))), None)


def _hash_of_start(path: Path, size: int) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        while size and (block := stream.read(min(size, 1 << 20))):
            digest.update(block)
            size -= len(block)
    return digest.hexdigest()
