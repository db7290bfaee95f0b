"""``kitfare status``: shows what is published and what waits for the user."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say, text_table

if TYPE_CHECKING:
    from pathlib import Path

    from pipelines.workspace import Workspace

_LAST_REFRESH = "select priced_on, max(started_at) as started_at, software_version from refresh_run group by all"
_SHOWN_FILES = 20
_QUARANTINED = """
select
    quarantined_row.file_hash,
    quarantined_row.file_name,
    count(distinct record_number) as row_count,
    min_by(
        case when quarantined_column <> '' then quarantined_column || ': ' else '' end || quarantined_rule,
        (record_number, quarantined_column, quarantined_rule)
    ) as first_reason
from quarantined_row
left join intake_file using (file_hash)
where not is_corrected and (record_number = 0) = {is_whole}
group by all
order by max(received_at) desc, file_name, file_hash
"""
_WAITING = """
select intake_file.file_name, vendor_export.vendor_code, vendor_export.observed_on, vendor_export.file_hash
from vendor_export join intake_file using (file_hash)
where vendor_export.export_standing = 'waiting' order by all
"""


def run(workspace: WorkspaceOption = None) -> None:
    """Show the last refresh and what waits for you.

    Quarantined rows, exports that wait for a decision, and files that are not taken in yet.

    \b
    Example:
      kitfare status
    """
    place = open_workspace(workspace)
    say(f"Workspace: {place.root.resolve()}")
    database = place.published / "kitfare.duckdb"
    if database.is_file():
        _published(place, database)
    elif place.published.is_symlink():
        say(f"Published: {place.published.readlink().name} is gone or not whole; `kitfare refresh` publishes again")
    else:
        say("Published: nothing yet. Run `kitfare refresh`.")
    dropped = [path for path in sorted(place.inbox.glob("*")) if path.is_file() and not path.name.startswith(".")]
    count = "1 file" if len(dropped) == 1 else f"{len(dropped)} files"
    say(f"Inbox: {count} for the next `kitfare refresh`")

    from pipelines.flows.scheduler.local_prefect import running_server

    say(f"Prefect server: {running_server(place) or 'not running'}")


def _published(place: Workspace, database: Path) -> None:
    say(f"Published: {place.published.resolve().name}")
    for last in _rows(database, _LAST_REFRESH):
        started = f"{last['started_at']:%Y-%m-%d %H:%M} UTC"
        say(f"  prices of {last['priced_on']}, refreshed at {started} by kitfare {last['software_version']}")
    say(f"Pages: {place.published / 'index.html'}")
    _quarantined(place, database)
    _waiting(place, database)


def _quarantined(place: Workspace, database: Path) -> None:
    from pipelines.intake.quarantine import quarantined_name

    quarantined = _rows(database, _QUARANTINED.format(is_whole="false"))
    say(f"Quarantined rows: {sum(row['row_count'] for row in quarantined)}")
    if quarantined:
        shown = [
            [quarantined_name(row["file_name"], row["file_hash"]), row["row_count"], row["first_reason"]]
            for row in quarantined[:_SHOWN_FILES]
        ]
        say(text_table(["file in quarantine/", "rows", "first reason"], shown, numbers=[1]))
        _and_more(len(quarantined))
        say(f"Correct the rows in these files and drop the files into {place.inbox}.")
    whole = _rows(database, _QUARANTINED.format(is_whole="true"))
    say(f"Files quarantined whole: {len(whole)}")
    if whole:
        shown = [[row["file_name"], row["first_reason"]] for row in whole[:_SHOWN_FILES]]
        say(text_table(["file in quarantine/", "reason"], shown))
        _and_more(len(whole))
        say(
            "`kitfare inspect quarantine/FILE` shows why. Once corrected, move it back to inbox/. If you will never use a file: `kitfare withdraw FILE`."
        )


def _and_more(count: int) -> None:
    if count > _SHOWN_FILES:
        say(f"and {count - _SHOWN_FILES} older files")


def _waiting(place: Workspace, database: Path) -> None:
    from pipelines.cli.nightly.accept import accepted_hashes

    accepted = accepted_hashes(place)
    waiting = [row for row in _rows(database, _WAITING) if row["file_hash"] not in accepted]
    say(f"Exports that wait for a decision: {len({row['file_hash'] for row in waiting})}")
    if waiting:
        rows = [[row["file_name"], row["vendor_code"], row["observed_on"], row["file_hash"][:12]] for row in waiting]
        say(text_table(["file", "vendor", "date", "file hash"], rows))
        say(
            "Each is unlike what its vendor sent before; `kitfare refresh` says why. If it is right: `kitfare accept FILE_HASH`"
        )


def _rows(database: Path, sql: str) -> list[dict[str, Any]]:
    from pipelines.warehouse.publishing.query import run_query

    return run_query(database, sql, max_rows=None).to_dicts()
