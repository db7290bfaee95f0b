"""Which records of nights still stand: a record is tied to the files that may have counted when it was made.

A file that is withdrawn counts as never received, so a night that it counted in gets another record, and so does a night
that was recorded without a file whose withdrawal was taken back. All is worked out from the journal and the files withdrawn
now, so it does not matter when or how a decision was made, or whether a refresh was killed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import UTC, date, datetime

from pipelines.intake.archiving.journal import Journal
from pipelines.intake.archiving.night_entries import NightEntry, PricedNight
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.workspace import Workspace

_DATE_LENGTH = len("2026-01-31")


@dataclass(frozen=True)
class Due:
    """Records that no longer stand, and the nights that need another one."""

    paths: tuple[str, ...] = ()
    nights: tuple[PricedNight, ...] = ()

    @property
    def days(self) -> list[date]:
        """The dates of the records, in order."""
        return sorted({day for path in self.paths if (day := _date_of(path)) is not None})


def unknown_records(
    workspace: Workspace, book: Journal, withdrawn: Iterable[str], *, is_latest: bool
) -> list[NightEntry]:
    """Entries for record files that no page names, as older versions left them: known by their dates and times of change.

    Args:
        workspace: its record files.
        book: the journal.
        withdrawn: hashes of the files that were withdrawn at the last refresh.
        is_latest: whether the settings ask for the date of the latest export.
    """
    known = {path for entry in book.nights for path in entry.records}
    found = []
    for folder, names in (
        (index_vintages.FOLDER, index_vintages.vintage_files(workspace)),
        (night_costs.FOLDER, night_costs.night_files(workspace, last=0)),
    ):
        for path in (f"{folder}/{name}.csv" for name in names):
            if path in known or (day := _date_of(path)) is None:
                continue
            changed_at = datetime.fromtimestamp((workspace.root / path).stat().st_mtime, UTC).replace(tzinfo=None)
            count = sum(1 for reading in book.readings if reading.received_at <= changed_at)
            night = PricedNight(changed_at, count, day, is_latest)
            found.append(
                NightEntry("", night.priced_on, changed_at, count, (path,), (night,), frozenset(withdrawn), frozenset())
            )
    return found


def due(
    entries: Sequence[NightEntry],
    withdrawn: Set[str],
    first_readings: Mapping[str, int],
    first_observed: Mapping[str, date],
) -> Due:
    """What no longer stands.

    Args:
        entries: of the journal, in order; the last one that names a file or a night is about how it is now.
        withdrawn: hashes of the files that are withdrawn now.
        first_readings: hash -> place of its first reading in the journal.
        first_observed: hash -> the first date that a file has something of.
    """

    def stands(entry: NightEntry) -> bool:
        return not any(
            first_readings.get(file_hash, entry.reading_count) < entry.reading_count
            and first_observed.get(file_hash, date.max) <= entry.priced_on
            and not (file_hash in withdrawn and file_hash in entry.waiting)
            for file_hash in withdrawn ^ entry.withdrawn
        )

    last_of_path = {path: entry for entry in entries for path in entry.records}
    last_of_night = {night: entry for entry in entries for night in entry.stands_for}
    fallen = {id(entry) for entry in entries if not stands(entry)}
    return Due(
        tuple(sorted(path for path, entry in last_of_path.items() if id(entry) in fallen)),
        tuple(night for night, entry in last_of_night.items() if id(entry) in fallen),
    )


def changed_decisions(entries: Iterable[NightEntry], withdrawn: Set[str]) -> set[str]:
    """Files that are withdrawn now and were not when a night was recorded, or the other way round."""
    found: set[str] = set()
    for entry in entries:
        found |= withdrawn ^ entry.withdrawn
    return found


def _date_of(path: str) -> date | None:
    """The date that a record's name begins with; None for a file that someone else named."""
    try:
        return date.fromisoformat(path.partition("/")[2][:_DATE_LENGTH])
    except ValueError:
        return None
