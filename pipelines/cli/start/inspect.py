"""``kitfare inspect``: what would become of a price file, before anything does."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, find_workspace, note, open_workspace, say

if TYPE_CHECKING:
    from pipelines.settings import Workspace


def run(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A price export or summary; it need not be in inbox/.")],
    draft_profile: Annotated[
        bool,
        typer.Option("--draft-profile", help="Print a profile for this file, to correct and save under profiles/."),
    ] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Show what would become of a price file.

    Its kind, the profile that fits, the rows accepted and quarantined, and why. Nothing is changed.

    \b
    Examples:
      kitfare inspect ~/Downloads/prices.csv
      kitfare inspect ~/Downloads/prices.csv --draft-profile > profiles/north.toml
    """
    from pipelines.errors import UsageError

    if not file.is_file():
        raise UsageError(f"{file} is not there, or not a file", where=str(Path.cwd()), next_step="check the path")
    place = open_workspace(workspace) if workspace or find_workspace() else None
    if draft_profile:
        _print_draft(file, place)
        return
    if place is None:
        note("This is no workspace, so that no profiles are known; --workspace DIR names one.")

    from pipelines.intake.inspect_file import inspect_file

    say(str(inspect_file(file, place)))


def _print_draft(file: Path, place: Workspace | None) -> None:
    from pipelines.intake.profiles.draft import draft_profile
    from pipelines.intake.workspace.workspace_files import read_workspace_table
    from schemas.inputs.catalogue import COLOURS

    typer.echo(draft_profile(file, read_workspace_table(place, COLOURS) if place else None), nl=False)
