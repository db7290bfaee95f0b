"""Makes a new warehouse from the archive: its files, and its journal of what was taken in with which inputs."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from pathlib import Path

import polars as pl

from pipelines.errors import InputError, UsageError
from pipelines.flows.refresh import only_refresh
from pipelines.flows.steps import file_by_file, plausibility_steps
from pipelines.intake import take_in
from pipelines.intake.archiving import archive, journal
from pipelines.intake.profiles import profiles
from pipelines.intake.workspace import workspace_files
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, messages, plausibility
from pipelines.warehouse.price_history import tables as warehouse_tables
from pipelines.workspace import Workspace
from schemas.contract import Contract
from schemas.inputs.catalogue import CODE_MAP
from schemas.inputs.price_decisions import ACCEPTED_EXPORTS, SOURCE_CORRECTIONS, WITHDRAWN_FILES
from schemas.validate import empty_frame

CLOCK_COLUMNS = ("received_at",)
"""Columns that may differ between two warehouses of the same inputs."""


@dataclass(frozen=True)
class Rebuilt:
    """``differences`` names the tables whose rows differ from the old warehouse; None if that could not be read."""

    path: Path
    file_count: int
    differences: list[str] | None = field(default_factory=list)


def rebuild(
    workspace: Workspace, *, replace: bool, progress: Callable[[str, int, int], None] = lambda *_: None
) -> Rebuilt:
    """Take in every file of the journal again, with the profiles and the code map of its time, and fold.

    Args:
        workspace: its archive is read; with ``replace`` the old warehouse is kept beside the new one.
        replace: False only compares and changes nothing.
        progress: called with a step's name, the files done and the number of files.

    Raises:
        BusyError: a refresh is at work.
        InputError: the archive has lost a file, or its journal is damaged; nothing was replaced.
        UsageError: nothing was ever taken in.
    """
    fresh = workspace.warehouse.with_name(workspace.warehouse.name + ".rebuilding")
    with only_refresh(workspace):
        _remove(fresh)
        if replace:
            _note_what_is_known(workspace)
        try:
            count = _fill(fresh, workspace, progress)
            differences = compare(fresh, workspace.warehouse)
            if replace:
                _keep_messages(workspace.warehouse, fresh)
                _put_in_place(fresh, workspace.warehouse)
        finally:
            _remove(fresh)
    return Rebuilt(workspace.warehouse, count, differences)


def _note_what_is_known(workspace: Workspace) -> None:
    """Write into the journal what the old warehouse knows and the journal does not, or a page that was lost would cost files."""
    with suppress(*connect.DATABASE_ERRORS), connect.reader(workspace.warehouse) as con:
        if connect.is_made(con):
            known = load.readings(con)
            journal.note_readings(workspace.archive, [(f.file_hash, f.file_name, f.received_at) for f in known])
            plausibility_steps.note_checks(workspace, con)


def compare(one: Path, other: Path) -> list[str] | None:
    """Names of the tables that differ in canonical form: rows by key, clocks left out. None if one cannot be read."""
    try:
        first, second = _canonical(one), _canonical(other)
    except connect.DATABASE_ERRORS:
        return None
    return sorted(name for name in first if not first[name].equals(second[name]))


def _canonical(path: Path) -> dict[str, pl.DataFrame]:
    with connect.reader(path) as con:
        return {name: frame.drop(CLOCK_COLUMNS, strict=False) for name, frame in _all_tables(con).items()}


def _all_tables(con: connect.Connection) -> dict[str, pl.DataFrame]:
    summaries = connect.frame_of(con, "select * from summary_observation order by all")
    return {**warehouse_tables.intake_tables(con), "summary_observation": summaries}


def _fill(path: Path, workspace: Workspace, progress: Callable[[str, int, int], None]) -> int:
    archive_folder = workspace.archive
    book = journal.read_journal(archive_folder, anew=True)
    if not book.readings:
        raise UsageError(
            "no price file was ever taken in", where=str(archive_folder), next_step="run `kitfare refresh`"
        )
    known: dict[tuple[tuple[str, str], ...], tuple[list[profiles.Profile], pl.DataFrame]] = {}
    reader = file_by_file.Reader(workspace.root)
    with connect.writer(path) as con:
        for number, reading in enumerate(book.readings):
            progress("take in archived files", number, len(book.readings))
            shaping = tuple(
                sorted((n, h) for n, h in reading.inputs.items() if n.startswith(("profiles/", "tables/code_map.")))
            )
            if shaping not in known:
                known[shaping] = (
                    _profiles(reading.inputs, archive_folder),
                    table_of(reading.inputs, CODE_MAP, archive_folder),
                )
            archive.fetch(reading.file_hash, archive_folder)
            taken = reader.read(
                reading.file_hash, _examine, (archive_folder, *known[shaping], take_in.latest_date(reading.received_at)), (reading.file_hash, reading.file_name),
                partial(file_by_file.ended, reading.file_hash, reading.file_name),
            )  # fmt: skip
            file_by_file.load_file(con, taken, reading.received_at)
        progress("fold the price history", 0, 0)
        decisions = {
            contract.name: table_of(book.inputs, contract, archive_folder)
            for contract in (ACCEPTED_EXPORTS, WITHDRAWN_FILES, SOURCE_CORRECTIONS)
        }
        history.set_decisions(
            con,
            accepted=decisions["accepted_exports"]["file_hash"].to_list(),
            withdrawn=decisions["withdrawn_files"]["file_hash"].to_list(),
        )
        history.set_corrections(con, decisions["source_corrections"])
        plausibility.restore(con, _recorded_findings(book), book.checks)
        history.fold(con)
    return len({reading.file_hash for reading in book.readings})


def _recorded_findings(book: journal.Journal) -> pl.DataFrame:
    rows = [(file_hash, *found) for file_hash, every in book.checks.items() for found in every]
    as_text = {name: pl.String() if kind == pl.Date() else kind for name, kind in plausibility.FINDING_SCHEMA.items()}
    return pl.DataFrame(rows, as_text, orient="row").with_columns(
        pl.col("observed_on", "compared_observed_on").str.to_date("%Y-%m-%d")
    )


def _examine(
    shared: tuple[Path, list[profiles.Profile], pl.DataFrame, date], hash_and_name: tuple[str, str]
) -> take_in.TakenFile:
    archive_folder, known, code_map, latest_on = shared
    file_hash, name = hash_and_name
    return take_in.examine(archive.place_of(file_hash, archive_folder), file_hash, name, known, code_map, latest_on)


def _profiles(inputs: Mapping[str, str], archive_folder: Path) -> list[profiles.Profile]:
    """The profiles of a refresh, from the archive; written to a folder, because they are read from one."""
    with tempfile.TemporaryDirectory(prefix="kitfare-") as name:
        for path, file_hash in inputs.items():
            if path.startswith("profiles/"):
                (Path(name) / Path(path).name).write_bytes(archive.fetch(file_hash, archive_folder).read_bytes())
        return profiles.load_profiles(Path(name))


def table_of(inputs: Mapping[str, str], contract: Contract, archive_folder: Path) -> pl.DataFrame:
    """A workspace table as it was at a refresh, from the archive; empty if there was none."""
    for path, file_hash in inputs.items():
        if path.startswith(f"tables/{contract.name}."):
            rows = workspace_files.read_table(archive.fetch(file_hash, archive_folder), path, contract)
            return rows.select(contract.columns).sort(contract.key)
    return empty_frame(contract)


def _keep_messages(warehouse: Path, fresh: Path) -> None:
    """What was not said yet of files taken in is in no archive; a warehouse that cannot be read has lost it."""
    with suppress(*connect.DATABASE_ERRORS), connect.reader(warehouse) as con:
        kept = messages.kept(con)
        with connect.writer(fresh) as target, connect.transaction(target):
            messages.keep(target, kept)


def _put_in_place(fresh: Path, warehouse: Path) -> None:
    """One rename; the old warehouse stays as <name>.before. Its log moves too, or DuckDB would apply it to the new file."""
    before, log = warehouse.with_name(warehouse.name + ".before"), warehouse.with_name(warehouse.name + ".wal")
    _remove(before)
    # Opening and closing writes the log into the old file, unless one is damaged: so all rows are always in a file.
    if warehouse.exists():
        with suppress(*connect.DATABASE_ERRORS), connect.writer(warehouse):
            pass
    try:
        if log.exists():
            log.replace(before.with_name(before.name + ".wal"))
        if warehouse.exists():
            os.link(warehouse, before)
        with fresh.open("rb") as stream:
            os.fsync(stream.fileno())
        fresh.replace(warehouse)
    except OSError as error:
        raise InputError(
            f"the new warehouse can't be put in place: {error.strerror or error}",
            where=str(warehouse),
            next_step="correct that and run `kitfare rebuild` again",
        ) from None


def _remove(path: Path) -> None:
    for name in (path.name, path.name + ".wal"):
        path.with_name(name).unlink(missing_ok=True)
