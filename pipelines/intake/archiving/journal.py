"""The archive's journal: which files were taken in, when, under which names, and with which profiles, tables and settings.

With the bytes in the archive it is all that :mod:`pipelines.flows.rebuild` needs. It also says what each night recorded in
``night_costs/`` and ``index_vintages/``; pages of older versions do not. Its pages are
``archive/journal/<number>-<hash of the page>.json``; a page never changes, and names the page before it, so that a missing or
changed page is noticed. No page names the newest one: the file ``newest`` does, written after it.
"""

from __future__ import annotations

import fnmatch
import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from sys import intern
from types import MappingProxyType
from typing import Any

from pipelines.errors import InputError
from pipelines.intake.archiving import night_entries
from pipelines.intake.archiving.night_entries import NightEntry

FOLDER = "journal"
NEWEST = "newest"
"""A file in the folder with the name of the newest page; of an older version there is none."""
_NUMBER_DIGITS = 6


@dataclass(frozen=True)
class FileReading:
    """One file as it was taken in; ``inputs`` are the workspace's files at that time, path -> hash."""

    file_hash: str
    file_name: str
    received_at: datetime
    inputs: Mapping[str, str]


def _nothing() -> Mapping[str, Any]:
    return MappingProxyType({})


@dataclass(frozen=True)
class Journal:
    """All pages, read; nothing in it can be changed, because it is kept for later callers.

    Attributes:
        page_count, last_hash: of its pages, and of the newest one.
        inputs: those of the latest refresh; empty while there is no page.
        readings: every file taken in, in order.
        checks: hash of every file whose exports were checked -> what was found, as it was written.
        input_hashes: hash -> path of every workspace file a refresh has ever used.
        nights: what each night recorded, in the order of writing.
    """

    page_count: int = 0
    last_hash: str = ""
    inputs: Mapping[str, str] = field(default_factory=_nothing)
    readings: tuple[FileReading, ...] = ()
    checks: Mapping[str, tuple[tuple[Any, ...], ...]] = field(default_factory=_nothing)
    input_hashes: Mapping[str, str] = field(default_factory=_nothing)
    nights: tuple[NightEntry, ...] = ()

    def first_readings(self) -> dict[str, int]:
        """Hash -> place of a file's first reading among all readings."""
        return {reading.file_hash: n for n, reading in reversed(list(enumerate(self.readings)))}


@dataclass(frozen=True)
class _Kept:
    """A journal as this process last read it: from these pages, the last of which had this size and time of change."""

    folder: Path
    page_names: list[str]
    last_page: tuple[int, int]
    journal: Journal


_kept: _Kept | None = None
"""Replaced whole, never changed, so that threads may read it."""


def read_journal(archive_folder: Path, *, anew: bool = False) -> Journal:
    """Every page, in order; what this process has read before is read again only if a page of it is not there any more.

    Args:
        archive_folder: the workspace's archive.
        anew: read every page again, also to notice that an old one was changed in its place.

    Raises:
        InputError: a page is missing, was changed, or cannot be read.
    """
    global _kept
    folder, names = (archive_folder / FOLDER).absolute(), _page_names(archive_folder)
    kept = None if anew else _kept
    if kept and (
        kept.folder != folder
        or names[: len(kept.page_names)] != kept.page_names
        or kept.last_page != _size_and_time(folder / kept.page_names[-1])
    ):
        kept = None
    before, fresh = (kept.journal, names[len(kept.page_names) :]) if kept else (Journal(), names)
    if not fresh:
        return before
    last_page = _size_and_time(folder / fresh[-1])
    journal = _with_pages(before, [folder / name for name in fresh])
    _kept = _Kept(folder, names, last_page, journal)
    return journal


def _with_pages(journal: Journal, paths: Sequence[Path]) -> Journal:
    """A journal with the pages that follow."""
    page_count, last_hash, inputs = journal.page_count, journal.last_hash, journal.inputs
    readings, nights = list(journal.readings), list(journal.nights)
    checks, input_hashes = dict(journal.checks), dict(journal.input_hashes)
    for path in paths:
        number, _, stated_hash = path.stem.partition("-")
        content = path.read_bytes()
        if hashlib.sha256(content).hexdigest() != stated_hash:
            raise _broken("a page of the archive's journal was damaged", path)
        page = json.loads(content)
        if int(number) != page_count + 1 or page["previous"] != last_hash:
            raise _broken("pages of the archive's journal are missing before this one", path)
        page_count, last_hash = int(number), stated_hash
        if "inputs" in page:
            # Most names and hashes are those of the page before; interned, they take memory once.
            inputs = MappingProxyType({intern(name): intern(file_hash) for name, file_hash in page["inputs"].items()})
            input_hashes.update({file_hash: name for name, file_hash in inputs.items()})
        readings += [
            FileReading(file_hash, name, datetime.fromisoformat(received_at), inputs)
            for file_hash, name, received_at in page.get("readings", ())
        ]
        checks.update({file_hash: _as_tuples(found) for file_hash, found in page.get("checks", {}).items()})
        for night in page.get("nights", ()):
            nights.append(night_entries.of_page(night, nights[-1] if nights else None))
    return Journal(
        page_count,
        last_hash,
        inputs,
        tuple(readings),
        MappingProxyType(checks),
        MappingProxyType(input_hashes),
        tuple(nights),
    )


def _as_tuples(found: Iterable[Iterable[Any]]) -> tuple[tuple[Any, ...], ...]:
    return tuple(map(tuple, found))


def _size_and_time(path: Path) -> tuple[int, int]:
    """Of a file: its size and its time of change."""
    state = path.stat()
    return state.st_size, state.st_mtime_ns


def lost_newest_page(archive_folder: Path) -> Path | None:
    """The newest page, if it was written and is gone: no page that is there names it. None if nothing is missing."""
    try:
        path = archive_folder / FOLDER / (archive_folder / FOLDER / NEWEST).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return None
    return None if path.is_file() else path


def note_inputs(archive_folder: Path, inputs: Mapping[str, str]) -> None:
    """Record the hashes of the workspace's files, if they differ from those recorded last."""
    journal = read_journal(archive_folder)
    if not journal.page_count or journal.inputs != dict(inputs):
        _write(archive_folder, journal, {"inputs": dict(sorted(inputs.items()))})


def note_readings(archive_folder: Path, readings: Iterable[tuple[str, str, datetime]]) -> None:
    """Record those files taken in (hash, name, when) that are not recorded yet, as read with the latest inputs.

    The next refresh records what a killed refresh took in, before it records its own inputs.
    """
    journal = read_journal(archive_folder)
    if not journal.page_count:
        return
    known = {(reading.file_hash, reading.received_at) for reading in journal.readings}
    fresh = [[file_hash, name, at.isoformat()] for file_hash, name, at in readings if (file_hash, at) not in known]
    if fresh:
        _write(archive_folder, journal, {"readings": fresh})


def note_checks(archive_folder: Path, checks: Mapping[str, Sequence[Sequence[Any]]]) -> None:
    """Record what the check of exports found, of those files of which it is not recorded yet, or something else is.

    Args:
        archive_folder: the workspace's archive.
        checks: hash of a checked file -> what was found, as values that JSON has; later records replace earlier ones.
    """
    journal = read_journal(archive_folder)
    fresh = {
        file_hash: found for file_hash, found in checks.items() if journal.checks.get(file_hash) != _as_tuples(found)
    }
    if journal.page_count and fresh:
        _write(archive_folder, journal, {"checks": fresh})


def note_nights(archive_folder: Path, entries: Sequence[NightEntry]) -> None:
    """Record what nights recorded, before their files are written: a kill in between leaves a file that is not there."""
    journal = read_journal(archive_folder)
    before = [journal.nights[-1] if journal.nights else None, *entries]
    pages = [night_entries.as_page(entry, earlier) for entry, earlier in zip(entries, before, strict=False)]
    if pages:
        _write(archive_folder, journal, {"nights": pages})


def pages(archive_folder: Path) -> list[Path]:
    """The pages, in order."""
    return [archive_folder / FOLDER / name for name in _page_names(archive_folder)]


def _page_names(archive_folder: Path) -> list[str]:
    try:
        with os.scandir(archive_folder / FOLDER) as entries:
            return sorted(fnmatch.filter((entry.name for entry in entries), "[0-9]*.json"))
    except FileNotFoundError:
        return []


def _write(archive_folder: Path, journal: Journal, page: dict[str, Any]) -> None:
    """Written beside, synced, then renamed: a kill leaves a whole page or none."""
    folder = archive_folder / FOLDER
    try:
        folder.mkdir(parents=True, exist_ok=True)
        content = json.dumps({"previous": journal.last_hash, **page}, ensure_ascii=False, indent=0).encode()
        name = f"{journal.page_count + 1:0{_NUMBER_DIGITS}d}-{hashlib.sha256(content).hexdigest()}.json"
        _put(archive_folder, folder / name, content)
        # After the page: a kill in between leaves the name of the page before it, which is there.
        _put(archive_folder, folder / NEWEST, f"{name}\n".encode())
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise InputError(
            f"the archive's journal cannot be written: {error.strerror or error}",
            where=str(folder),
            state="files that were taken in are in the archive and the warehouse; the next refresh records them",
            next_step="check the permissions and the free space of the disk, then refresh again",
        ) from None


def _put(archive_folder: Path, path: Path, content: bytes) -> None:
    handle, temporary = tempfile.mkstemp(prefix=".storing-", dir=archive_folder)
    with os.fdopen(handle, "wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    Path(temporary).chmod(0o444)
    Path(temporary).replace(path)


def _broken(what: str, path: Path) -> InputError:
    return InputError(
        what,
        where=str(path),
        state="the warehouse and what is published are not touched by this",
        next_step=f"restore {path.parent} from a backup",
    )
