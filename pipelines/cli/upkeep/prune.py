"""``kitfare prune``: removes what can be made again, by stated rules."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say, text_table


def run(
    yes: Annotated[bool, typer.Option("--yes", help="Remove it. Without this, nothing is removed.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Show, or remove, what can be made again.

    The rules are settings under [refresh] in kitfare.toml: old published results, files taken in long ago, kept plans that no
    refresh used, the old warehouse that a rebuild left. The archive, and all that you wrote, never goes: from these all
    else is made. What readers see stays.

    \b
    Examples:
      kitfare prune
      kitfare prune --yes
    """
    place = open_workspace(workspace)

    from pipelines.flows.runs import disk_use, run_record
    from pipelines.flows.upkeep import prune

    now = run_record.utc_now()
    found = prune.prune(place, now) if yes else prune.prunable(place, now)
    rows = [[each.kind, len(each.paths), disk_use.size_text(each.used_bytes), each.rule] for each in found]
    say(text_table(["kind", "count", "size", "rule"], rows, numbers=[1, 2]))
    size = disk_use.size_text(sum(each.used_bytes for each in found))
    if yes:
        say(f"Removed: {size}.")
    elif any(each.paths for each in found):
        say(f"Nothing was removed. `kitfare prune --yes` removes {size}.")
    else:
        say("Nothing may go by these rules.")
    say(f"The archive ({disk_use.size_text(disk_use.bytes_of(place.archive))}) always stays.")
