"""``kitfare status``: what is published, and what waits for someone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipelines.cli.common import WorkspaceOption, open_workspace, say, text_table

if TYPE_CHECKING:
    from pathlib import Path

    from pipelines.settings import Workspace

_LAST_REFRESH = "select priced_on, max(started_at) as started_at, software_version from refresh_run group by all"
_HELD = """
select file_name, count(distinct record_number) as row_count, min(held_rule) as held_rule
from held_row where not is_mended group by file_hash, file_name order by file_name
"""
_WAITING = """
select intake_file.file_name, vendor_export.vendor_code, vendor_export.observed_on, vendor_export.file_hash
from vendor_export join intake_file using (file_hash)
where vendor_export.export_standing = 'waiting' order by all
"""


def run(workspace: WorkspaceOption = None) -> None:
    """Show the last refresh and what waits.

    Held rows, exports that wait for a decision, and files not taken in yet.

    \b
    Example:
      kitfare status
    """
    place = open_workspace(workspace)
    say(f"Workspace: {place.root.resolve()}")
    database = place.published / "kitfare.duckdb"
    if database.is_file():
        _published(place, database)
    else:
        say("Published: nothing yet; `kitfare refresh` does that")
    dropped = [path for path in sorted(place.inbox.glob("*")) if path.is_file() and not path.name.startswith(".")]
    say(f"Inbox: {len(dropped)} files to take in with the next `kitfare refresh`")

    from pipelines.flows.local_prefect import running_server

    say(f"Prefect server: {running_server(place) or 'not running'}")


def _published(place: Workspace, database: Path) -> None:
    say(f"Published: {place.published.resolve().name}")
    for last in _rows(database, _LAST_REFRESH):
        started = f"{last['started_at']:%Y-%m-%d %H:%M} UTC"
        say(f"  prices of {last['priced_on']}, refresh begun {started} by kitfare {last['software_version']}")
    say(f"Pages: {place.published / 'index.html'}")
    held = _rows(database, _HELD)
    say(f"Held rows: {sum(row['row_count'] for row in held)}")
    if held:
        say(text_table(["file", "rows", "such as"], [list(row.values()) for row in held], numbers=[1]))
        say(f"Mend them in {place.held} and drop the files into {place.inbox}.")
    waiting = _rows(database, _WAITING)
    say(f"Exports that wait for a decision: {len({row['file_hash'] for row in waiting})}")
    if waiting:
        rows = [[row["file_name"], row["vendor_code"], row["observed_on"], row["file_hash"][:12]] for row in waiting]
        say(text_table(["file", "vendor", "date", "file hash"], rows))
        say("Each would close more than half of its vendor's offers. If that is right: `kitfare accept FILE_HASH`")


def _rows(database: Path, sql: str) -> list[dict[str, Any]]:
    from pipelines.warehouse.query import run_query

    return run_query(database, sql, max_rows=None).to_dicts()
