"""``kitfare status``: shows what is wrong, what is published, and what waits for the user."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.nightly.status_facts import facts, say_facts
from pipelines.cli.terminal.common import WorkspaceOption, note, open_workspace, say, text_table

if TYPE_CHECKING:
    from pathlib import Path

    from pipelines.flows.runs.concerns import Concern
    from pipelines.workspace import Workspace

_LAST_REFRESH = "select priced_on, max(started_at) as started_at, software_version from refresh_run group by all"
_SHOWN_FILES = 20
_SHOWN_MESSAGES = 20
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

_WHY_IT_WAITS = "select * from export_finding where export_verdict = 'waits' order by all"


def run(
    exit_code: Annotated[
        bool, typer.Option("--exit-code", help="End with 6 or 7 if somebody needs to act; for monitors.")
    ] = False,
    notify: Annotated[
        bool, typer.Option("--notify", help="Pass on what [[notify]] in kitfare.toml asks for; for cron.")
    ] = False,
    json_output: Annotated[bool, typer.Option("--json", help="Print the same as JSON, for programs.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Show what is wrong, the last refresh, and what waits for you.

    The first line is the worst thing that is true. The others follow: failed or overdue refreshes, old prices, vendors silent beyond
    their own rhythm, models whose plan failed a check, exports that wait for a decision, quarantined rows, suspect prices, a disk that
    is or soon will be full. Below stand disk use, how fast it grows, the next run, and versions. Nothing is changed.

    With --exit-code it ends with 6 if what is published is not kept up to date, with 7 if something waits for a person, else with 0.
    With --notify, those whom [[notify]] names hear of a failed or overdue refresh, as they do after each refresh.

    \b
    Examples:
      kitfare status
      kitfare status --exit-code --json
      kitfare status --notify --exit-code > /dev/null
    """
    from pipelines.flows.runs import concerns, delivery

    place = open_workspace(workspace)
    for failure in delivery.pass_on(place) if notify else ():
        note(failure)
    found = concerns.concerns(place)
    if json_output:
        _say_json(place, found)
    else:
        _say_concerns(found)
        _say_all(place)
    if exit_code:
        raise typer.Exit(concerns.exit_code(found))


def _say_concerns(found: Sequence[Concern]) -> None:
    if not found:
        say("All is well: nothing failed, and nothing waits for you.")
    for concern in found:
        say(concern.text)
    say("")


def _say_json(place: Workspace, found: Sequence[Concern]) -> None:
    import json

    from pipelines.flows.runs import concerns, run_record

    last = run_record.latest_ended(place)
    published = place.published.resolve().name if place.published.is_symlink() else None
    content = {
        "workspace": str(place.root.resolve()),
        "exit_code": concerns.exit_code(found),
        "concerns": [vars(concern) for concern in found],
        "published": published,
        "last_refresh": None if last is None else {
            "started_at": last.started_at.isoformat(), "outcome": last.outcome, "why": last.why,
            "ended_at": last.ended_at.isoformat() if last.ended_at else None,
            "messages": [message.text for message in last.messages],
        },
        **facts(place),
    }  # fmt: skip
    typer.echo(json.dumps(content, indent=2))


def _say_all(place: Workspace) -> None:
    say(f"Workspace: {place.root.resolve()}")
    _last_refresh(place)
    database = place.database
    if database.is_file():
        _published(place, database)
    elif place.published.is_symlink():
        say(f"Published: {place.published.readlink().name} is gone or not whole; `kitfare refresh` publishes again")
    else:
        say("Published: nothing yet. Run `kitfare refresh`.")
    say(_inbox(place))

    from pipelines.flows.scheduler.local_prefect import running_server

    say(f"Prefect server: {running_server(place) or 'not running'}")
    say_facts(facts(place))


def _inbox(place: Workspace) -> str:
    """How many files the next refresh takes, and how many are still being written by their names."""
    from pipelines.intake.archiving.still_written import is_named_unfinished

    files = [path for path in place.inbox.glob("*") if path.is_file() and not path.is_symlink()]
    unfinished = sum(is_named_unfinished(path.name) for path in files if not path.name.startswith("."))
    count = sum(not is_named_unfinished(path.name) for path in files)
    text = f"Inbox: {_files(count)} for the next `kitfare refresh`"
    return text + (f"; {_files(unfinished)} still being written, by the name" if unfinished else "")


def _files(count: int) -> str:
    return "1 file" if count == 1 else f"{count} files"


def _last_refresh(place: Workspace) -> None:
    """The last one that ended and what it reported; its record has more."""
    from pipelines.flows.runs import run_record
    from pipelines.flows.runs.notices import time_text

    last = run_record.latest_ended(place)
    if last is None:
        return
    ended = f", ended at {time_text(last.ended_at)}" if last.ended_at else ""
    say(f"Last refresh: {last.outcome}, started at {time_text(last.started_at)}{ended}")
    texts = [message.text for message in last.messages]
    for text in texts[:_SHOWN_MESSAGES]:
        say(f"  {' '.join(text.split())}")
    if len(texts) > _SHOWN_MESSAGES:
        say(f"  and {len(texts) - _SHOWN_MESSAGES} more in {run_record.place_of(place, last.run_number)}")


def _published(place: Workspace, database: Path) -> None:
    from pipelines.errors import KitfareError

    try:
        _generation(place, database)
    except KitfareError as error:
        say(f"What is published, or a table of decisions, can't be read: {error.what}")


def _generation(place: Workspace, database: Path) -> None:
    say(f"Published: {place.published.resolve().name}")
    for last in _rows(database, _LAST_REFRESH):
        started = f"{last['started_at']:%Y-%m-%d %H:%M} UTC"
        say(f"  prices of {last['priced_on']}, refreshed at {started} by kitfare {last['software_version']}")
    say(f"Pages: {place.private / 'index.html'}")
    say(f"To upload: {place.public}")
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
        found = _rows(database, _WHY_IT_WAITS)
        for row in waiting:
            say(f"{row['file_hash'][:12]}: {_why_it_waits(row, found)}.")
        say("If an export is right: `kitfare accept FILE_HASH`. If it is wrong: `kitfare withdraw FILE_HASH`")


def _why_it_waits(export: dict[str, Any], findings: list[dict[str, Any]]) -> str:
    from pipelines.intake.plausibility import sentences

    return sentences.together(
        (found["finding_rule"], found["measured_value"], found["compared_observed_on"], found["named_codes"])
        for found in findings
        if all(found[name] == export[name] for name in ("file_hash", "vendor_code", "observed_on"))
    )


def _rows(database: Path, sql: str) -> list[dict[str, Any]]:
    from pipelines.warehouse.publishing.query import run_query

    return run_query(database, sql, max_rows=None).to_dicts()
