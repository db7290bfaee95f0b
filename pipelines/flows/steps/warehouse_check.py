"""Checks that the warehouse has every price file that the archive's journal has, before a refresh builds on it."""

from __future__ import annotations

import os

from pipelines.errors import BusyError, InputError, KitfareError
from pipelines.intake.archiving import journal
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import file_dates
from pipelines.workspace import Workspace


def require_every_file(workspace: Workspace) -> None:
    """Refuse a warehouse that was lost or damaged, or that is an old copy: its prices would be published as if they were all.

    Reads the journal and the warehouse's list of files, no archived file. A refresh that was killed has files in the
    warehouse first, so it never fails here.

    Raises:
        InputError: files are missing, the archive is gone, or the warehouse can't be read.
        NewerLayoutError: a newer kitfare made the warehouse.
        BusyError: another process has the warehouse open.
    """
    book = journal.read_journal(workspace.archive)
    taken_in = {reading.file_hash for reading in book.readings}
    if not taken_in:
        if not book.page_count and (known := _received(workspace)):
            raise InputError(
                f"the archive has no journal, and the warehouse knows {len(known)} price files that were taken in",
                where=str(workspace.archive),
                state="nothing was taken in, and what is published stays",
                next_step="connect the disk or share of the archive, or restore a backup: see `kitfare restore`",
            )
        return
    missing = taken_in - _received(workspace)
    if missing:
        raise _refusal(
            workspace, f"the warehouse lacks {len(missing)} of {len(taken_in)} price files that were taken in"
        )


def _received(workspace: Workspace) -> frozenset[str]:
    path = workspace.warehouse
    if not path.is_file():
        return frozenset()
    try:
        with connect.reader(path) as con:
            connect.require_known_layout(con)
            return file_dates.received_files(con) if connect.is_made(con) else frozenset()
    except (BusyError, connect.NewerLayoutError):
        raise
    except connect.DATABASE_ERRORS as error:
        if not os.access(path, os.R_OK | os.W_OK):
            raise
        what = (
            error.what if isinstance(error, KitfareError) else f"{path.name} is damaged: {str(error).splitlines()[0]}"
        )
        raise _refusal(workspace, what) from error


def _refusal(workspace: Workspace, what: str) -> InputError:
    return InputError(
        what,
        where=str(workspace.warehouse),
        state="nothing was taken in, and what is published stays",
        next_step="run `kitfare rebuild`, which makes the warehouse from the archive; then refresh again",
    )
