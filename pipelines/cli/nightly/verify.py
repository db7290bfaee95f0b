"""``kitfare verify``: checks everything that a workspace keeps."""

from __future__ import annotations

from pipelines.cli.nightly.refresh import show_progress
from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say


def run(workspace: WorkspaceOption = None) -> None:
    """Check archive, warehouse and published tables.

    Every archived file must have the hash in its name. The price history must follow from the rows received, and no row
    may be missing. Every published file must be unchanged, and the tables must pass every check. Nothing is changed.
    Each fault is shown with what to do about it. `kitfare rebuild --check` also reads every archived file again.

    \b
    Example:
      kitfare verify
    """
    place = open_workspace(workspace)

    from pipelines.errors import CheckFailedError
    from pipelines.flows.verify import verify

    with show_progress() as progress:
        found = verify(place, progress)
    for line in found.checked:
        say(f"Checked {line}.")
    if not found.faults:
        say("No fault was found.")
        return
    for fault in found.faults:
        say(f"\n{fault.what}\n  where: {fault.where}\n  next:  {fault.next_step}")
    raise CheckFailedError(
        "1 fault was found" if len(found.faults) == 1 else f"{len(found.faults)} faults were found",
        where=str(place.root),
        state="nothing was changed",
        next_step="do what is stated above for each fault",
    )
