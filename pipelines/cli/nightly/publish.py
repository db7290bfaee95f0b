"""``kitfare publish``: copies the public pages to a web root or a folder that is uploaded."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, say


def run(
    to: Annotated[Path, typer.Option("--to", help="The folder that becomes a copy of the public pages.")],
    workspace: WorkspaceOption = None,
) -> None:
    """Copy the public pages to a web root or another folder.

    Every file is looked through first: nothing is copied if one names a part that a model keeps private
    (publish_lines = "none"). Then the folder is replaced as a whole, and pages that are gone are removed from it. kitfare
    itself uploads nothing.

    \b
    Examples:
      kitfare publish --to /srv/www/costs
    """
    from pipelines.intake.workspace.workspace_files import read_workspace
    from pipelines.reporting.public_copy import copy_public

    place = open_workspace(workspace)
    count = copy_public(place, read_workspace(place), to)
    say(f"Copied {count} files to {to.resolve()}")
