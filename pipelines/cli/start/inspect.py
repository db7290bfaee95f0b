"""``kitfare inspect``: shows what a refresh would make of a price file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, find_workspace, note, open_workspace, say

if TYPE_CHECKING:
    from pipelines.workspace import Workspace


def run(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A price export or summary, in any folder.")],
    draft_profile: Annotated[
        bool,
        typer.Option(
            "--draft-profile", help="Print a draft of a profile for this file, to correct and save in profiles/."
        ),
    ] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Show what a refresh would make of a price file.

    Shows its kind, the profile that fits, and which rows would be accepted or quarantined, and why. Nothing is changed.

    \b
    Examples:
      kitfare inspect ~/Downloads/prices.csv
      kitfare inspect ~/Downloads/prices.csv --draft-profile > profiles/north.toml
    """
    from pipelines.errors import UsageError
    from pipelines.plain_files import oddity

    if words := oddity(file):
        raise UsageError(f"{file} is {words}, not a plain file", next_step="give a file")
    if not file.is_file():
        raise UsageError(f"there is no file {file}", where=str(Path.cwd()), next_step="check the path")
    place = open_workspace(workspace) if workspace or find_workspace() else None
    if draft_profile:
        _print_draft(file, place)
        return
    if place is None:
        note("There is no workspace here, so no profiles are used. Give one with --workspace DIR.")

    from pipelines.intake.inspect_file import inspect_file

    say(str(inspect_file(file, place)))


def _print_draft(file: Path, place: Workspace | None) -> None:
    from pipelines.intake.profiles.draft import draft_profile
    from pipelines.intake.workspace.workspace_files import read_workspace_table
    from schemas.inputs.catalogue import COLOURS

    typer.echo(draft_profile(file, read_workspace_table(place, COLOURS) if place else None), nl=False)
