"""What the journal says of a night's records: the files written, the date, and what counted when they were made."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any


@dataclass(frozen=True)
class PricedNight:
    """A refresh that published.

    Args:
        started_at: when it began, UTC; for records of an older version the time of the file.
        reading_count: how many readings the journal had then.
        priced_on: the date it priced.
        is_latest: whether that was the date of the latest export, and not one that a person asked for or today.
    """

    started_at: datetime
    reading_count: int
    priced_on: date
    is_latest: bool


@dataclass(frozen=True)
class NightEntry:
    """What one refresh recorded of a date.

    Args:
        refresh_id: the refresh; empty for records of an older version.
        priced_on: the date.
        started_at: when the refresh began, UTC.
        reading_count: how many readings the journal had: the files that may have counted.
        records: paths of the files it wrote, from the workspace.
        stands_for: the nights whose record this is: its own, or earlier ones that were made again.
        withdrawn: hashes of the files that were withdrawn.
        waiting: hashes of the files that waited for a decision, with all that they have.
    """

    refresh_id: str
    priced_on: date
    started_at: datetime
    reading_count: int
    records: tuple[str, ...]
    stands_for: tuple[PricedNight, ...]
    withdrawn: frozenset[str] = frozenset()
    waiting: frozenset[str] = frozenset()


def as_page(entry: NightEntry, before: NightEntry | None) -> dict[str, Any]:
    """An entry for a page; files withdrawn and waiting only where they are not those of the entry before."""
    page: dict[str, Any] = {
        "refresh_id": entry.refresh_id,
        "priced_on": entry.priced_on.isoformat(),
        "started_at": entry.started_at.isoformat(),
        "reading_count": entry.reading_count,
        "records": list(entry.records),
        "stands_for": [
            [night.started_at.isoformat(), night.reading_count, night.priced_on.isoformat(), night.is_latest]
            for night in entry.stands_for
        ],
    }
    if entry.withdrawn != (before.withdrawn if before else frozenset()):
        page["withdrawn"] = sorted(entry.withdrawn)
    if entry.waiting != (before.waiting if before else frozenset()):
        page["waiting"] = sorted(entry.waiting)
    return page


def of_page(page: dict[str, Any], before: NightEntry | None) -> NightEntry:
    """The entry of a page; ``before`` is the entry before it."""
    return NightEntry(
        page["refresh_id"],
        date.fromisoformat(page["priced_on"]),
        datetime.fromisoformat(page["started_at"]),
        page["reading_count"],
        tuple(page["records"]),
        tuple(
            PricedNight(datetime.fromisoformat(at), count, date.fromisoformat(on), is_latest)
            for at, count, on, is_latest in page["stands_for"]
        ),
        frozenset(page["withdrawn"]) if "withdrawn" in page else before.withdrawn if before else frozenset(),
        frozenset(page["waiting"]) if "waiting" in page else before.waiting if before else frozenset(),
    )
