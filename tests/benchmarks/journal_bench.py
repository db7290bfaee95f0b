"""CPU seconds that the archive's journal costs a night, as the nights before it become more.

Run: python -m tests.benchmarks.journal_bench [--nights 10,100,1000]

Nights with 20 price files each write their pages one after the other, with the calls that a refresh makes, in its order.
Measured is a night that begins as a new process does: it reads every page once. Every page is synced, so 1,000 nights take
minutes by the clock.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
import time
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

from pipelines.intake.archiving import journal
from pipelines.intake.archiving.night_entries import NightEntry, PricedNight

FILE_COUNT, TABLE_COUNT, RECORDS_KEPT = 20, 40, 62
FOUND = ("north", "2026-01-01", "dated_late", "reported", 40.0, 31.0, "", None, "")
MEASURED = 3
"""So many nights after those before are measured, and their mean is shown."""


class Archive:
    """A scratch archive, and what its warehouse would know of the files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.readings: list[tuple[str, str, datetime]] = []
        self.checks: dict[str, list[tuple[object, ...]]] = {}

    def live(self, nights: Iterable[int], *, in_new_processes: bool) -> None:
        """Refresh night by night."""
        for number in nights:
            self.refresh(number, in_new_process=in_new_processes)

    def refresh(self, number: int, *, in_new_process: bool) -> None:
        """What the refresh of a night does with the journal."""
        at = datetime(2024, 1, 1, 2, 30) + timedelta(days=number)
        journal.read_journal(self.folder, anew=in_new_process)
        journal.note_readings(self.folder, self.readings)
        journal.read_journal(self.folder)
        journal.note_nights(self.folder, [])
        records = range(max(0, number - RECORDS_KEPT), number)
        tables = {f"tables/table{n}.csv": _hash(f"table {n}") for n in range(TABLE_COUNT)}
        journal.note_inputs(self.folder, tables | {f"night_costs/{n}.csv": _hash(f"night {n}") for n in records})
        self.readings += [(_hash(f"{number} {n}"), f"vendor{n}-{number}.csv", at) for n in range(FILE_COUNT)]
        journal.note_readings(self.folder, self.readings)
        for file_hash, _, _ in self.readings[-FILE_COUNT:]:
            self.checks[file_hash] = [FOUND] if file_hash < "1" else []
        journal.note_checks(self.folder, self.checks)
        journal.read_journal(self.folder)
        count, day = len(journal.read_journal(self.folder).readings), at.date()
        itself = PricedNight(at, count, day, True)
        entry = NightEntry(_hash(f"refresh {number}"), day, at, count, (f"night_costs/{day}.csv",), (itself,))
        journal.note_nights(self.folder, [entry])


def main() -> None:
    """Print, for each number of nights before, what one reading of all pages and what a night costs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", default="10,100,1000", help="nights before, separated by commas")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="kitfare-journal-") as name:
        archive, lived = Archive(Path(name)), 0
        for count in sorted(map(int, given.nights.split(","))):
            archive.live(range(lived, count), in_new_processes=False)
            reading = _cpu(partial(journal.read_journal, archive.folder, anew=True))
            lived = count + MEASURED
            night = _cpu(partial(archive.live, range(count, lived), in_new_processes=True)) / MEASURED
            print(f"{count} nights: one whole reading {reading:.3f} CPU s, a night {night:.3f} CPU s", flush=True)


def _cpu(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


if __name__ == "__main__":
    main()
