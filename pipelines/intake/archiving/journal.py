"""The archive's journal: which files were taken in, when, under which names, and with which profiles, tables and settings.

With the bytes in the archive it is all that :mod:`pipelines.flows.rebuild` needs. It also says what each night recorded in
``night_costs/`` and ``index_vintages/``; pages of older versions do not. Its pages are
``archive/journal/<number>-<hash of the page>.json``; a page never changes, and names the page before it, so that a missing or
changed page is noticed. No page names the newest one: the file ``newest`` does, written after it.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
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


@dataclass
class Journal:
    """All pages, read. ``inputs`` are those of the latest refresh; empty while there is no page."""

    page_count: int = 0
    last_hash: str = ""
    inputs: dict[str, str] = field(default_factory=dict)
    readings: list[FileReading] = field(default_factory=list)
    checks: dict[str, list[list[Any]]] = field(default_factory=dict)
    """hash of every file whose exports were checked -> what was found, as it was written."""
    input_hashes: dict[str, str] = field(default_factory=dict)
    """hash -> path of every workspace file a refresh has ever used."""
    nights: list[NightEntry] = field(default_factory=list)
    """What each night recorded, in the order of writing."""

    def first_readings(self) -> dict[str, int]:
        """Hash -> place of a file's first reading among all readings."""
        return {reading.file_hash: n for n, reading in reversed(list(enumerate(self.readings)))}


def read_journal(archive_folder: Path) -> Journal:
    """Every page, in order.

    Raises:
        InputError: a page is missing, was changed, or cannot be read.
    """
    journal = Journal()
    for path in pages(archive_folder):
        number, _, stated_hash = path.stem.partition("-")
        content = path.read_bytes()
        if hashlib.sha256(content).hexdigest() != stated_hash:
            raise _broken("a page of the archive's journal was damaged", path)
        page = json.loads(content)
        if int(number) != journal.page_count + 1 or page["previous"] != journal.last_hash:
            raise _broken("pages of the archive's journal are missing before this one", path)
        journal.page_count, journal.last_hash = int(number), stated_hash
        if "inputs" in page:
            journal.inputs = page["inputs"]
            journal.input_hashes.update({file_hash: name for name, file_hash in page["inputs"].items()})
        journal.readings += [
            FileReading(file_hash, name, datetime.fromisoformat(received_at), journal.inputs)
            for file_hash, name, received_at in page.get("readings", ())
        ]
        journal.checks.update(page.get("checks", {}))
        for night in page.get("nights", ()):
            journal.nights.append(night_entries.of_page(night, journal.nights[-1] if journal.nights else None))
    return journal


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


def note_checks(archive_folder: Path, checks: Mapping[str, list[list[Any]]]) -> None:
    """Record what the check of exports found, of those files of which it is not recorded yet, or something else is.

    Args:
        archive_folder: the workspace's archive.
        checks: hash of a checked file -> what was found, as values that JSON has; later records replace earlier ones.
    """
    journal = read_journal(archive_folder)
    fresh = {file_hash: found for file_hash, found in checks.items() if journal.checks.get(file_hash) != found}
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
    return sorted((archive_folder / FOLDER).glob("[0-9]*.json"))


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
