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
    to its rows. The file stays in the archive. The decision is a row in tables/withdrawn_files.csv. To undo it, remove
    the row.

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
    decision = {"file_hash": chosen.file_hash, "decided_on": date.today().isoformat(), "reason": reason}
    add_decision(place.tables, WITHDRAWN_FILES, decision)
    say(f"Withdrew {chosen.file_name} ({chosen.description}). That counts from the next `kitfare refresh` on.")


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
