"""When the schedule that is running refreshes next: what ``kitfare schedule`` writes down, and ``kitfare status`` reads."""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipelines.flows.scheduler.server_record import prefect_home, read_record
from pipelines.workspace import Workspace

NAME = "schedule.json"


def write_times(workspace: Workspace, at: time, zone: str) -> None:
    """Write down the time of day and the time zone, beside the record of the server that is running."""
    _, record = read_record(workspace)
    if record is not None:
        place = _place(workspace)
        place.write_text(json.dumps({"url": record.url, "at": f"{at:%H:%M}", "time_zone": zone}), encoding="utf-8")
        place.chmod(0o600)


def next_run(workspace: Workspace, now: datetime) -> datetime | None:
    """When the schedule runs next, UTC; None where no schedule of kitfare runs. What a killed one wrote does not count.

    Args:
        workspace: the user's folder.
        now: UTC, without a time zone.
    """
    _, record = read_record(workspace)
    with suppress(OSError, ValueError, KeyError, TypeError, ZoneInfoNotFoundError):
        found = json.loads(_place(workspace).read_bytes())
        if record is not None and found["url"] == record.url:
            return after(time.fromisoformat(found["at"]), found["time_zone"], now)
    return None


def after(at: time, zone: str, now: datetime) -> datetime:
    """The first moment after ``now`` at which it is this time of day there, both UTC without a time zone.

    A time that a clock change skips counts as an hour later; one that it repeats counts once, the first time.
    """
    place = ZoneInfo(zone)
    day = now.replace(tzinfo=UTC).astimezone(place).date() - timedelta(days=1)
    while True:
        moment = datetime.combine(day, at, place).astimezone(UTC).replace(tzinfo=None)
        if moment > now:
            return moment
        day += timedelta(days=1)


def forget_times(workspace: Workspace) -> None:
    """Remove what was written down."""
    with suppress(OSError):
        _place(workspace).unlink()


def _place(workspace: Workspace) -> Path:
    return prefect_home(workspace) / NAME
