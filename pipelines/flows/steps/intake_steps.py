"""The steps up to the warehouse: clean up, read the workspace, take dropped files in."""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import polars as pl

from pipelines.errors import InputError
from pipelines.flows.steps import file_by_file, record_steps, warehouse_check
from pipelines.flows.steps.night import Intake, Night
from pipelines.intake import quarantine, take_in
from pipelines.intake.archiving import archive, journal, taken_files
from pipelines.intake.archiving.still_written import is_named_unfinished, still_written
from pipelines.intake.profiles import profiles
from pipelines.intake.workspace import index_vintages, night_costs, workspace_files
from pipelines.plain_files import name_text, safe_name
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import load, messages
from pipelines.warehouse.price_history.messages import Message
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace

FILES_WORTH_A_PROCESS = 8
"""With fewer files than this, starting processes costs more than it saves."""


def clean_up(workspace: Workspace) -> None:
    """Make the folders a refresh writes to, and remove what a killed refresh left behind."""
    for folder in (workspace.inbox, workspace.taken, workspace.quarantined, workspace.archive, workspace.generations):
        workspace_files.require_folder(folder)
        folder.mkdir(exist_ok=True)
    generation.clean_leftovers(workspace)
    archive.clean_leftovers(workspace.archive)
    for recorded in (index_vintages.FOLDER, night_costs.FOLDER):
        index_vintages.clean_leftovers(workspace.root / recorded)


def read_inputs(workspace: Workspace, started_at: datetime) -> Night:
    """Everything in the workspace but its inbox, validated and archived; the archive's journal records what it was.

    Before anything else, a warehouse that lacks files of the journal is refused.

    Args:
        workspace: the user's folder.
        started_at: when the refresh began, UTC without a time zone; its local date is the one to price until the history is known.
    """
    warehouse_check.require_every_file(workspace)
    inputs = workspace_files.read_workspace(workspace)
    if (page := journal.lost_newest_page(workspace.archive)) is not None:
        words = f"{page.name}, the newest page of the archive's journal, is missing; what the warehouse knows of it is written down again"
        inputs = replace(inputs, remarks=(*inputs.remarks, words))
    if workspace.warehouse.is_file():
        # What a killed refresh took in was read with the inputs it wrote down.
        with connect.reader(workspace.warehouse) as con:
            if connect.is_made(con):
                _note_readings(workspace, con)
                is_latest = inputs.settings.refresh.priced_on == "latest_export"
                record_steps.note_unknown_records(workspace, con, is_latest=is_latest)
    journal.note_inputs(workspace.archive, dict(inputs.input_files.select("input_path", "file_hash").iter_rows()))
    today = started_at.replace(tzinfo=UTC).astimezone().date()
    return Night(workspace, started_at, today, all_inputs=inputs, inputs=inputs)


def _note_readings(workspace: Workspace, con: connect.Connection) -> None:
    known = load.readings(con)
    journal.note_readings(workspace.archive, [(file.file_hash, file.file_name, file.received_at) for file in known])


def take_in_files(night: Night) -> Night:
    """Take every file of the inbox into the archive and the warehouse; what fails is quarantined, and nothing else stops.

    Files are read by several processes and loaded in the order of their names. A file moves to taken/ once its bytes are
    in the archive and its rows are committed; one that can't be read at all moves to quarantine/. One that someone may still
    be writing stays, and one that was written to after it was taken is taken again. The messages about a file are
    committed with its rows; the first later refresh that succeeds shows them.
    """
    workspace, inputs = night.workspace, night.inputs
    shared = (
        profiles.load_profiles(workspace.profiles),
        inputs.tables["code_map"],
        workspace.archive,
        take_in.latest_date(night.started_at),
    )
    paths, written_since, messages_now = _files_to_take(night)
    row_count = 0
    workers = night.settings.refresh.workers if len(paths) >= FILES_WORTH_A_PROCESS else 1
    waiting: dict[Path, take_in.TakenFile] = {}
    still_to_load = iter(paths)
    following = next(still_to_load, None)
    with connect.writer(workspace.warehouse) as con:
        for read, found in file_by_file.read_files(
            _take_in_one,
            shared,
            paths,
            workers,
            workspace.root,
            partial(_take_in_dead, archive_folder=workspace.archive),
        ):
            waiting[read] = found
            while following in waiting:
                path, taken = following, waiting.pop(following)
                messages_now += _load_one(con, night, path, taken, written_since.get(path, ""))
                row_count += taken.read_row_count
                following = next(still_to_load, None)
        if paths:
            _note_readings(workspace, con)
        kept = messages.kept(con)
    quarantined_row_count = sum(message.quarantined_row_count for message in kept)
    every = (*messages_now, *(message.text for message in kept))
    return replace(night, intake=Intake(every, quarantined_row_count, row_count))


def _take_in_one(shared: tuple[list[profiles.Profile], pl.DataFrame, Path, date], path: Path) -> take_in.TakenFile:
    known, code_map, archive_folder, latest_on = shared
    return take_in.take_in(path, known, code_map, archive_folder, latest_on)


def _take_in_dead(path: Path, archive_folder: Path) -> take_in.TakenFile:
    """What is made of a file that ends the process reading it."""
    name = name_text(path.name)
    try:
        return file_by_file.ended(archive.store(path, archive_folder), name)
    except InputError as error:
        return take_in.TakenFile("", name, error=error)


def _load_one(
    con: connect.Connection, night: Night, path: Path, taken: take_in.TakenFile, written_since: str
) -> list[str]:
    """Load a file and take it out of the inbox; returns messages that the warehouse can't keep with a file's rows."""
    quarantine_folder = night.workspace.quarantined
    first = [Message(f"{name_text(path.name)}: {written_since}")] if written_since else []

    def messages_for(loaded: take_in.TakenFile, status: load.LoadStatus) -> list[Message]:
        return first + _messages(loaded, status, _quarantined_file(loaded, status, quarantine_folder))

    taken, status = file_by_file.load_file(con, taken, night.started_at, messages_for)
    sentences = []
    if (quarantined_file := _quarantined_file(taken, status, quarantine_folder)) is not None:
        sentences += file_by_file.write_quarantined(taken, quarantine_folder)
    elif taken.error is None and status != "duplicate":
        quarantine.quarantined_path(taken, quarantine_folder).unlink(missing_ok=True)
    try:
        _leave_inbox(path, taken, status, night)
    except InputError as error:
        sentences.append(str(error))
    if not taken.file_hash:
        sentences += [message.text for message in first + _messages(taken, status, quarantined_file)]
    return sentences


def _files_to_take(night: Night) -> tuple[list[Path], dict[Path, str], list[str]]:
    """Files to take in, by name; what happened to those that were written to since they left the inbox; and sentences about
    files that stay where they are."""
    workspace, settings = night.workspace, night.settings.refresh
    changed = [
        *taken_files.changed_files(workspace.taken, workspace.archive),
        *taken_files.grown_files(workspace.quarantined, _quarantined_whole(workspace), workspace.archive),
    ]
    written_since = {file.path: file.what for file in changed}
    taken_files.remove_old(workspace.taken, list(written_since), night.day, settings.keep_taken_days)
    dropped, sentences = _dropped_files(workspace.inbox)
    paths = sorted([*dropped, *written_since], key=lambda path: (path.name, path))
    unfinished = still_written(paths, settings.inbox_quiet_seconds)
    sentences += [
        f"{name_text(path.name)}: left in {path.relative_to(workspace.root).parts[0]}/ for the next refresh, because {why}"
        for path, why in unfinished.items()
    ]
    return [path for path in paths if path not in unfinished], written_since, sentences


def _quarantined_whole(workspace: Workspace) -> list[tuple[str, str]]:
    if not workspace.warehouse.is_file():
        return []
    with connect.reader(workspace.warehouse) as con:
        return load.quarantined_whole(con) if connect.is_made(con) else []


def _dropped_files(inbox: Path) -> tuple[list[Path], list[str]]:
    """Files to take in, by name, and sentences about the rest: what is not a plain file is left alone and named."""
    files, sentences = [], []
    for path in sorted(inbox.iterdir()):
        if is_named_unfinished(path.name):
            continue
        if path.is_symlink() or not path.is_file():
            sentences.append(f"{name_text(path.name)}: left in the inbox, because it is not a plain file")
            continue
        files.append(path)
    return files, sentences


def _quarantined_file(taken: take_in.TakenFile, status: load.LoadStatus, quarantine_folder: Path) -> Path | None:
    """Where to write the quarantined rows, but never over a file that someone may be correcting; None if none are to be written."""
    if taken.error is not None or taken.contract is None or not taken.quarantined_text.height:
        return None
    path = quarantine.quarantined_path(taken, quarantine_folder)
    # The file is missing if it was corrected and dropped, or if a refresh was killed before it wrote the file.
    return None if status == "duplicate" and path.exists() else path


def _leave_inbox(path: Path, taken: take_in.TakenFile, status: load.LoadStatus, night: Night) -> None:
    """Move a file to taken/ whose bytes are archived, unless it was replaced meanwhile: then it is a new file.

    Once it can be used, a copy of it that waits in quarantine/ moves there as well. One that can't be used waits in quarantine/.
    """
    if not taken.file_hash or not path.exists() or archive.hash_of(path) != taken.file_hash:
        return
    folder = night.workspace.quarantined

    def keep(left: Path) -> None:
        taken_files.keep(left, taken.file_hash, night.day, night.workspace.taken)

    if status != "quarantined":
        keep(path)
        waiting = folder / safe_name(path.name)
        if waiting.is_file() and archive.hash_of(waiting) == taken.file_hash:
            keep(waiting)
    elif path.parent != folder:
        for waiting in (folder / name for name in taken_files.quarantined_names(path.name, taken.file_hash)):
            if not os.path.lexists(waiting):
                taken_files.move(path, waiting, taken.file_hash)
                return
            if waiting.is_file() and archive.hash_of(waiting) == taken.file_hash:
                break
        keep(path)


def _messages(taken: take_in.TakenFile, status: load.LoadStatus, quarantined_file: Path | None) -> list[Message]:
    name = taken.file_name
    if status == "duplicate" and taken.error is not None:
        words = "taken in before, and its rows of then stay; as it is read now it would be quarantined whole"
        found = [Message(f"{name}: {words}: {taken.error}")]
    elif status == "duplicate":
        found = [Message(f"{name}: taken in before; nothing changed")]
    elif status == "reread":
        found = [
            Message(f"{name}: taken in before; profiles or the code map have changed since, so its rows are replaced")
        ]
    else:
        found = [Message(f"{name}: {note}") for note in taken.notes]
    if status == "quarantined" and not taken.file_hash:
        found.append(Message(f"{name}: left where it is for the next refresh. {taken.error}"))
    elif status == "quarantined":
        found.append(
            Message(
                f"{name}: quarantined whole; correct what is named here, then move it from quarantine/ back to inbox/: {taken.error}"
            )
        )
    elif quarantined_file is not None:
        count = taken.failures["record_number"].n_unique()
        words = f"{name}: {count} of {taken.read_row_count} rows quarantined, in quarantine/{quarantined_file.name}"
        found.append(Message(words, count))
    return found
