"""``kitfare restore``: makes a workspace from a backup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.nightly.refresh import show_progress
from pipelines.cli.terminal.common import note, say, text_table

if TYPE_CHECKING:
    from pipelines.flows.upkeep.backup_store import Backup


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder of backups.")],
    target: Annotated[
        Path | None, typer.Argument(metavar="NEW_FOLDER", help="The workspace to make. If it exists, it must be empty.")
    ] = None,
    number: Annotated[int | None, typer.Option(metavar="NUMBER", help="Which backup. Default: the newest.")] = None,
    check: Annotated[bool, typer.Option("--check", help="Read every byte of the backup and compare its hash.")] = False,
) -> None:
    """Make a workspace from a backup.

    It first says what the backup has. Without NEW_FOLDER it lists all backups and writes nothing. A restore never
    overwrites: it writes beside, checks every file by its hash, and puts the workspace in its place as the last step.

    Afterwards `kitfare rebuild` makes the warehouse, and `kitfare refresh` publishes.

    \b
    Examples:
      kitfare restore /mnt/backup/models
      kitfare restore /mnt/backup/models --check
      kitfare restore /mnt/backup/models my-models
    """
    from pipelines.flows.upkeep import restore

    backup = restore.chosen(folder, number)
    if target is None and number is None:
        _list(folder)
    _say_what_it_has(backup)
    if target is not None:
        restore.require_free(target)
    if check:
        _check(backup, folder)
    if target is None:
        return
    with show_progress() as progress:
        restore.restore(backup, folder, target, progress)
    say(f"Restored into {target}. Next:")
    say(f"  kitfare rebuild --workspace {target}")
    say(f"  kitfare refresh --workspace {target}")


def _list(folder: Path) -> None:
    from pipelines.errors import InputError
    from pipelines.flows.runs.disk_use import size_text
    from pipelines.flows.upkeep import backup_store

    rows = []
    for number, path in backup_store.numbers(folder).items():
        try:
            backup = backup_store.read_list(path)
        except InputError as error:
            rows.append([number, error.what, "", "", ""])
            continue
        size = size_text(backup.byte_count)
        rows.append([number, _time(backup.made_at), backup.price_file_count, len(backup.files), size])
    say(text_table(["backup", "made at", "price files", "files", "size"], rows, numbers=[0, 2, 3, 4]))
    say("")


def _say_what_it_has(backup: Backup) -> None:
    from pipelines.flows.runs.disk_use import size_text

    taken = f", the last taken in at {_time(backup.latest_taken_at)}" if backup.latest_taken_at else ""
    waiting = sum(name.startswith("inbox/") for name in backup.files)
    say(f"Backup {backup.number}, made at {_time(backup.made_at)} by kitfare {backup.software_version}")
    say(f"  price files: {backup.price_file_count}{taken}; {waiting} more wait in inbox/")
    say(f"  models: {', '.join(backup.model_codes) or 'none'}")
    say(f"  files: {len(backup.files)}, {size_text(backup.byte_count)}")


def _time(text: str) -> str:
    return f"{text[:16].replace('T', ' ')} UTC"


def _check(backup: Backup, folder: Path) -> None:
    from pipelines.errors import CheckFailedError
    from pipelines.flows.upkeep import restore

    with show_progress() as progress:
        found = list(restore.faults(backup, folder, progress))
    for fault in found:
        note(fault)
    if found:
        raise CheckFailedError(
            f"backup {backup.number} has {len(found)} faults",
            where=str(folder),
            state="nothing was changed",
            next_step="remove the files named above from the folder of backups and run `kitfare backup` again, while the "
            "workspace is whole; or restore another backup with --number",
        )
    say("Every file of it has the right bytes.")
