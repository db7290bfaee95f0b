"""``kitfare rebuild``: makes a new warehouse from the archive."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.nightly.refresh import show_progress
from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say


def run(
    check: Annotated[
        bool, typer.Option("--check", help="Only compare the new warehouse with the present one; change nothing.")
    ] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Make a new warehouse from the archive.

    Every price file is read again, with the profiles and the code map of the day it was taken in. The latest
    acceptances, withdrawals and corrections apply. The old warehouse stays as warehouse.duckdb.before until the next
    rebuild, and what is published stays as it is.

    \b
    Examples:
      kitfare rebuild --check
      kitfare rebuild
    """
    place = open_workspace(workspace)

    from pipelines.errors import CheckFailedError
    from pipelines.flows.rebuild import rebuild

    with show_progress() as progress:
        found = rebuild(place, replace=not check, progress=progress)
    say(f"Made a new warehouse from {found.file_count} archived files.")
    if found.differences is None:
        result = "The present warehouse can't be read." if check else "There was no warehouse that could be read."
    elif found.differences:
        result = (
            f"The new warehouse differs from the {'present' if check else 'old'} one in {', '.join(found.differences)}."
        )
    else:
        result = f"The new warehouse is the same as the {'present' if check else 'old'} one."
    if check and found.differences != []:
        raise CheckFailedError(
            result.rstrip("."),
            where=str(found.path),
            state="nothing was changed",
            next_step="`kitfare rebuild` puts the new warehouse in its place",
        )
    say(result)
    if not check:
        say("Next: `kitfare refresh` works with the new warehouse.")
