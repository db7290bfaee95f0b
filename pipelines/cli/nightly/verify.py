"""``kitfare verify``: is everything the workspace keeps still whole?"""

from __future__ import annotations

from pipelines.cli.nightly.refresh import show_progress
from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say


def run(workspace: WorkspaceOption = None) -> None:
    """Check archive, warehouse and published tables.

    Every archived file must have the hash it is named by; the price history must be what the rows received give, all of them accounted for; every published file must
    have the bytes it was published with, and the tables must pass every check. Nothing is changed. Each fault is told with what corrects it.
    `kitfare rebuild --check` goes further and reads the archive again.

    \b
    Example:
      kitfare verify
    """
    place = open_workspace(workspace)

    from pipelines.errors import CheckFailedError
    from pipelines.flows.verify import verify

    with show_progress() as progress:
        found = verify(place, progress)
    for line in found.looked_at:
        say(f"Looked at {line}.")
    if not found.faults:
        say("All of it is whole.")
        return
    for fault in found.faults:
        say(f"\n{fault.what}\n  where: {fault.where}\n  next:  {fault.next_step}")
    raise CheckFailedError(
        f"{len(found.faults)} faults were found",
        where=str(place.root),
        state="nothing was changed",
        next_step="see above",
    )
