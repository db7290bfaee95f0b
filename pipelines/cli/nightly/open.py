"""``kitfare open``: opens the pages in the browser."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, published_database, say


def run(
    private: Annotated[bool, typer.Option("--private", help="Open the private index instead.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Open the published index in the browser, and print its path.

    \b
    Examples:
      kitfare open
      kitfare open --private
    """
    place = open_workspace(workspace)
    published_database(place)
    page = ((place.private if private else place.public) / "index.html").absolute()
    say(str(page))
    typer.launch(page.as_uri())
