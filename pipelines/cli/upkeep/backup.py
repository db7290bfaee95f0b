"""``kitfare backup``: adds a backup of the workspace to a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.nightly.refresh import show_progress
from pipelines.cli.terminal.common import WorkspaceOption, note, open_workspace, say


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder of backups, best on another disk.")],
    workspace: WorkspaceOption = None,
) -> None:
    """Add a backup of the workspace to a folder.

    It may run while a refresh does: what shapes results is all of one moment. A folder keeps many backups, and each content
    once, so a further backup takes only what is new. A killed one leaves the earlier backups whole.

    A backup has the archive with its journal, settings, profiles, tables, models, decisions, records, waiting files, and
    whatever else lies in the workspace. The warehouse, published results and caches are left out: they can be made again.

    \b
    Example:
      kitfare backup /mnt/backup/models
    """
    place = open_workspace(workspace)

    from pipelines.errors import CheckFailedError
    from pipelines.flows.runs.disk_use import size_text
    from pipelines.flows.upkeep.backup import back_up

    with show_progress() as progress:
        made = back_up(place, folder, progress)
    for name in made.moved_back:
        note(f"{name} was just being taken in: in the backup it waits in inbox/.")
    backup = made.backup
    say(f"Backup {backup.number} in {folder}: {len(backup.files)} files, {size_text(backup.byte_count)}")
    say(f"New in this folder: {size_text(made.new_bytes)}")
    if made.left_out:
        for words in made.left_out:
            note(words)
        raise CheckFailedError(
            f"backup {backup.number} lacks {len(made.left_out)} files",
            where=str(folder),
            state="all other files are in it",
            next_step="do what is stated above for each file, then run the command again",
        )
    say(f"To restore it: kitfare restore {folder} NEW_FOLDER --number {backup.number}")
