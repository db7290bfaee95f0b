"""``kitfare rebuild``: the warehouse made again from the archive alone."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.nightly.refresh import show_progress
from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say


def run(
    check: Annotated[
        bool, typer.Option("--check", help="Only compare with the warehouse that is there; change nothing.")
    ] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Make the warehouse again from the archive alone.

    Every price file ever taken in is read again, with the profiles and the code map of its time; then the latest withdrawals,
    acceptances and corrections are applied. The old warehouse is kept as warehouse.duckdb.before until the next rebuild. What is published
    is not touched.

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
    say(f"Made the warehouse again from {found.file_count} archived files.")
    if found.differences:
        reported = f"it differs from the warehouse that is there in {', '.join(found.differences)}"
        if check:
            raise CheckFailedError(
                reported,
                where=str(found.path),
                state="nothing was changed",
                next_step="`kitfare rebuild` puts it in place",
            )
        say(f"Before, {reported}.")
    elif found.differences is None:
        say("There was none that could be read." if not check else "The warehouse that is there cannot be read.")
        if check:
            raise CheckFailedError(
                "the warehouse cannot be read",
                where=str(found.path),
                next_step="`kitfare rebuild` puts a new one in place",
            )
    else:
        say(
            "It is the same as the warehouse that was there."
            if not check
            else "It is the same as the warehouse that is there."
        )
    if not check:
        say("The next `kitfare refresh` works with it.")
