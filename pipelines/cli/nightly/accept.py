"""``kitfare accept``: lets an export count that is not plausible, because a person knows that it is right."""

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
    """Accept an export that waits for a decision.

    An export waits when it is not plausible: its date, its size, its prices, its currency or its codes are unlike what
    its vendor sent before. `kitfare status` lists those that wait, and each refresh says why. The decision is for this
    file alone. It is a row in tables/accepted_exports.csv and counts from the next refresh on. To undo it, remove the
    row.

    \b
    Examples:
      kitfare accept 3f9a12c07b44
      kitfare accept north-2026-10-31.csv --reason "the shop is closing down"
    """
    from schemas.inputs.price_decisions import ACCEPTED_EXPORTS

    place = open_workspace(workspace)
    accepted = accepted_hashes(place)
    chosen = choose(file_or_hash, _waiting(place), accepted, "an export that waits for a decision", "waiting")
    if chosen.file_hash in accepted:
        say(f"{chosen.file_name} is accepted already. It counts from the next `kitfare refresh` on.")
        return
    decision = {"file_hash": chosen.file_hash, "decided_on": date.today().isoformat(), "reason": reason}
    add_decision(place.tables, ACCEPTED_EXPORTS, decision)
    say(f"Accepted {chosen.file_name} ({chosen.description}). It counts from the next `kitfare refresh` on.")


def accepted_hashes(place: Workspace) -> set[str]:
    """The files accepted so far, whether or not a refresh has seen the decision.

    Raises:
        InputError: the file of decisions can't be read.
    """
    from schemas.inputs.price_decisions import ACCEPTED_EXPORTS

    return decided_hashes(place.tables, ACCEPTED_EXPORTS)


def _waiting(place: Workspace) -> list[KnownFile]:
    if not place.warehouse.is_file():
        return []
    from pipelines.intake.plausibility import sentences
    from pipelines.warehouse import connect
    from pipelines.warehouse.price_history import history

    found: dict[str, KnownFile] = {}
    with connect.reader(place.warehouse) as con:
        for export in history.waiting_exports(con):
            described = f"{export.vendor_code} on {export.observed_on}: {sentences.together(export.findings)}"
            known = found.get(export.file_hash)
            vendors = f"{known.description}, {described}" if known else described
            found[export.file_hash] = KnownFile(export.file_hash, export.file_name, vendors)
    return [found[file_hash] for file_hash in sorted(found)]
