"""``kitfare withdraw``: makes a price file count as never received."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from pipelines.cli.nightly.file_decisions import (
    FileArgument,
    KnownFile,
    ReasonOption,
    add_decision,
    choose,
    decided_hashes,
)
from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say

if TYPE_CHECKING:
    from pipelines.workspace import Workspace


def run(
    file_or_hash: FileArgument,
    reason: ReasonOption = "",
    workspace: WorkspaceOption = None,
) -> None:
    """Withdraw a price file that was taken in.

    From the next refresh on, the price history is what it would have been without the file and without the corrections
    to its rows. That refresh also clears the costs and index levels recorded on nights that the file counted in, and
    records these nights again without it. The file stays in the archive. The decision is a row in
    tables/withdrawn_files.csv. To undo it, remove the row.

    \b
    Examples:
      kitfare withdraw north-2026-10-31.csv --reason "prices of another year"
      kitfare withdraw 3f9a12c07b44
    """
    from schemas.inputs.price_decisions import WITHDRAWN_FILES

    place = open_workspace(workspace)
    withdrawn = decided_hashes(place.tables, WITHDRAWN_FILES)
    chosen = choose(file_or_hash, _received(place), withdrawn, "a price file that was taken in", "the latest")
    if chosen.file_hash in withdrawn:
        say(f"{chosen.file_name} is withdrawn already. That counts from the next `kitfare refresh` on.")
        return
    cleared = _cleared_by(place, withdrawn | {chosen.file_hash})
    decision = {"file_hash": chosen.file_hash, "decided_on": date.today().isoformat(), "reason": reason}
    add_decision(place.tables, WITHDRAWN_FILES, decision)
    say(f"Withdrew {chosen.file_name} ({chosen.description}). That counts from the next `kitfare refresh` on.")
    if cleared:
        say(f"That refresh clears what was recorded of nights that the file counted in: {cleared}.")
        say("It records these nights again without the file, before it prices and publishes its own date.")


def _cleared_by(place: Workspace, withdrawn: set[str]) -> str:
    """The dates whose records the next refresh clears with these files withdrawn; empty if there are none."""
    if not place.warehouse.is_file():
        return ""
    from pipelines.flows.steps import record_steps
    from pipelines.warehouse import connect

    is_latest = place.settings().refresh.priced_on == "latest_export"
    with connect.reader(place.warehouse) as con:
        _, due = record_steps.due_records(place, con, withdrawn, is_latest=is_latest)
    return record_steps.days_in_words(due.days)


def _received(place: Workspace) -> list[KnownFile]:
    if not place.warehouse.is_file():
        return []
    from pipelines.warehouse import connect
    from pipelines.warehouse.price_history import load

    with connect.reader(place.warehouse) as con:
        return [
            KnownFile(
                file.file_hash, file.file_name, f"{file.read_row_count} rows, taken in {file.received_at:%Y-%m-%d}"
            )
            for file in reversed(load.readings(con))
        ]
