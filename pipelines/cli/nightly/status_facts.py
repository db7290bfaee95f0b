"""What ``kitfare status`` states besides concerns: room on the disk, the next run, versions; for people and for programs."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from pipelines.cli.terminal.common import say

if TYPE_CHECKING:
    from pipelines.workspace import Workspace

_FOLDERS = ("archive", "generations", "taken", "warehouse.duckdb", ".plan_cache")


def facts(place: Workspace) -> dict[str, Any]:
    """Disk, next run and versions, as ``--json`` has them."""
    from pipelines import __version__
    from pipelines.flows.runs import concerns, disk_use, run_record
    from pipelines.flows.scheduler.next_run import next_run
    from pipelines.warehouse import connect

    now = run_record.utc_now()
    use, free = disk_use.growth(place), disk_use.free_bytes(place)
    full_on = use.full_on(free, concerns.local_date(now)) if use else None
    run_at = next_run(place, now)
    return {
        "disk": {
            "used_bytes": disk_use.bytes_of(place.root),
            "parts": {name: disk_use.bytes_of(place.root / name) for name in _FOLDERS},
            "free_bytes": free,
            "growth": {name: str(value) if name.endswith("_on") else value for name, value in asdict(use).items()} if use else None,
            "full_on": str(full_on) if full_on else None,
        },
        "next_run_at": run_at.isoformat() if run_at else None,
        "versions": {"kitfare": __version__, "layout": _layout(place), "newest_layout": connect.newest_layout()},
    }  # fmt: skip


def _layout(place: Workspace) -> int | None:
    """Of the warehouse; None where there is none, or a process writes to it."""
    from pipelines.warehouse import connect

    try:
        with connect.reader(place.warehouse) as con:
            return connect.layout_of(con)
    except connect.DATABASE_ERRORS:
        return None


def say_facts(found: dict[str, Any]) -> None:
    """The same as lines."""
    from datetime import datetime

    from pipelines.flows.runs.disk_use import size_text
    from pipelines.flows.runs.notices import time_text

    disk = found["disk"]
    parts = ", ".join(f"{name} {size_text(size)}" for name, size in disk["parts"].items() if size)
    say(f"Disk: {size_text(disk['used_bytes'])} used ({parts}), {size_text(disk['free_bytes'])} free")
    if growth := disk["growth"]:
        a_day, records = size_text(growth["bytes_a_day"]), f"{growth['record_count']} records"
        full = f"; full about {disk['full_on']} if nothing else fills it" if disk["full_on"] else ""
        say(f"  {a_day} more a day from {growth['from_on']} to {growth['to_on']} ({records}){full}")
    else:
        say("  growth: not known yet, the records of refreshes are too few or too close together")
    run_at = found["next_run_at"]
    say(f"Next run: {time_text(datetime.fromisoformat(run_at)) if run_at else 'no schedule of kitfare runs here'}")
    layout = found["versions"]["layout"]
    say(
        f"Versions: kitfare {found['versions']['kitfare']}, warehouse layout {layout if layout is not None else 'not read'}"
    )
