"""Reads a workspace: its settings, tables and models, validated, cross-checked and archived."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import polars as pl
from pydantic import BaseModel

from pipelines.errors import InputError
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.intake.archiving import archive
from pipelines.intake.checking import cross_checks
from pipelines.intake.checking.remarks import put_aside_remarks, remarks
from pipelines.intake.profiles.profiles import Profile, load_profiles
from pipelines.intake.reading.readers import ReadOptions, open_source
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.plain_files import name_text, oddity
from pipelines.settings import ModelSettings, Settings
from pipelines.settings_base import load_toml
from pipelines.workspace import Workspace
from schemas.all_tables import WORKSPACE_TABLES
from schemas.contract import Contract
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.published.over_time import NIGHTLY_COST
from schemas.published.price_index import INDEX_VINTAGE
from schemas.published.runs import INPUT_FILE
from schemas.validate import POSITION_COLUMNS, describe_failures, empty_frame, polars_schema, require_valid

TABLE_SUFFIXES = (
    ".csv", ".tsv", ".csv.gz", ".tsv.gz", ".xlsx", ".ods", ".parquet", ".jsonl", ".jsonl.gz",
)  # fmt: skip
_MODEL_TABLES = {"parts": PARTS_LIST, "flexible_lines": FLEXIBLE_LINES, "amendments": AMENDMENTS}
_Loaded = TypeVar("_Loaded", bound=BaseModel)


@dataclass(frozen=True)
class TableFile:
    """A validated table with the line number of each row, and the file it came from ("" where the file is absent)."""

    contract: Contract
    path: str
    rows: pl.DataFrame

    @property
    def frame(self) -> pl.DataFrame:
        """The contract's columns, ordered by key."""
        return self.rows.select(self.contract.columns).sort(self.contract.key)


def read_workspace(workspace: Workspace, *, is_archiving: bool = True) -> WorkspaceInputs:
    """Read, validate and archive all inputs of a workspace but the dropped price files.

    Args:
        is_archiving: False to read without writing: an archived file must be in a page of the journal, and only a refresh
            writes those pages. The table of inputs then has neither hashes nor settings.

    Raises:
        SettingsError: kitfare.toml, a profile or a model.toml makes no sense.
        InputError: a table breaks its contract, or tables contradict each other; says which file and line.
    """
    reader = _WorkspaceReader(workspace, is_archiving)
    settings = reader.toml(workspace.root / "kitfare.toml", Settings)
    for folder in (workspace.profiles, workspace.tables, workspace.models):
        require_folder(folder)
    for path in sorted(workspace.profiles.glob("*.toml")):
        reader.toml(path, Profile)
    load_profiles(workspace.profiles)
    tables = {
        name: reader.table(workspace.tables, name, contract)
        for name, contract in zip(_names(WORKSPACE_TABLES), WORKSPACE_TABLES, strict=True)
    }
    _refuse_unknown_tables(workspace, workspace.tables, _names(WORKSPACE_TABLES))
    cross_checks.check_tables(tables)
    cross_checks.check_scenarios(settings, tables["vendors"])
    cross_checks.check_border_charges(settings, tables["border_charges"])
    read_models = [_read_model(reader, folder, tables) for folder in _model_folders(workspace)]
    models = tuple(model for model, _ in read_models)
    cross_checks.check_model_codes([model.model_code for model in models])
    cross_checks.check_joint_orders(settings, [model.model_code for model in models])
    records = _read_records(reader)
    frames = {name: table.frame for name, table in tables.items()}
    odd = remarks(settings, tables, [own for _, own in read_models])
    odd += put_aside_remarks(models)
    return WorkspaceInputs(settings, {**frames, **records}, models, _input_files(reader.records), tuple(odd))


def with_records_of_now(workspace: Workspace, inputs: WorkspaceInputs) -> WorkspaceInputs:
    """The same inputs with the records of nights as they are now, archived; all else as it was read.

    Raises:
        InputError: a record breaks its contract.
    """
    reader = _WorkspaceReader(workspace)
    tables = {**inputs.tables, **_read_records(reader)}
    others = inputs.input_files.filter(~pl.col("table_name").is_in([INDEX_VINTAGE.name, NIGHTLY_COST.name]))
    files = pl.concat([others, _input_files(reader.records)]).sort("input_path")
    return replace(inputs, tables=tables, input_files=files)


def _input_files(records: list[tuple[str, str, str, int]]) -> pl.DataFrame:
    return pl.DataFrame(records, schema=polars_schema(INPUT_FILE), orient="row").sort("input_path")


def _read_records(reader: _WorkspaceReader) -> dict[str, pl.DataFrame]:
    """What earlier nights recorded, by contract."""
    workspace = reader.workspace
    vintages = [
        reader.table(workspace.root / index_vintages.FOLDER, name, INDEX_VINTAGE).frame
        for name in index_vintages.vintage_files(workspace)
    ]
    nights = [
        reader.table(workspace.root / night_costs.FOLDER, name, NIGHTLY_COST).frame
        for name in night_costs.night_files(workspace)
    ]
    return {
        INDEX_VINTAGE.name: index_vintages.joined(vintages),
        NIGHTLY_COST.name: night_costs.joined(nights),
    }


def read_workspace_table(workspace: Workspace, contract: Contract) -> pl.DataFrame:
    """One of the workspace's tables alone, typed, without archiving anything.

    Raises:
        InputError: the table breaks its contract.
    """
    return _WorkspaceReader(workspace, is_archiving=False).table(workspace.tables, contract.name, contract).frame


def checked_model(
    workspace: Workspace, model_code: str, flexible_lines: Path | None = None, folder: Path | None = None
) -> Model:
    """A model alone, checked as a refresh checks it, without archiving anything; with other flexible lines, if a file is given.

    ``folder``: where its files lie while they are not in their place yet.

    Raises:
        InputError: its tables break their contracts, or contradict each other.
    """
    reader = _WorkspaceReader(workspace, is_archiving=False)
    place = (workspace.models / model_code).relative_to(workspace.root).as_posix()
    folder = folder or workspace.models / model_code
    settings = load_toml(folder / "model.toml", ModelSettings)
    own = {stem: reader.table(folder, stem, contract) for stem, contract in _MODEL_TABLES.items()}
    if flexible_lines is not None:
        name = f"{place}/flexible_lines.csv"
        own["flexible_lines"] = TableFile(FLEXIBLE_LINES, name, read_table(flexible_lines, name, FLEXIBLE_LINES))
    colours = next(contract for contract in WORKSPACE_TABLES if contract.name == "colours")
    cross_checks.check_model(place, settings, own, reader.table(workspace.tables, colours.name, colours))
    return Model(settings, own["parts"].frame, own["flexible_lines"].frame, own["amendments"].frame)


def _names(contracts: Sequence[Contract]) -> list[str]:
    return [contract.name for contract in contracts]


def require_folder(folder: Path) -> None:
    """Refuse what has a folder's place and is none: its files would be left out silently.

    Raises:
        InputError: it is a file, or a link to a disk or share that is not there.
    """
    if os.path.lexists(folder) and not folder.is_dir():
        raise InputError(
            f"{folder.name} is {oddity(folder) or 'a file'}, not a folder",
            where=str(folder),
            state="nothing was taken in, and what is published stays",
            next_step="connect the disk or share that it is on, put the folder back, or remove what is in its place",
        )


def _model_folders(workspace: Workspace) -> list[Path]:
    if not workspace.models.is_dir():
        return []
    found = sorted(path for path in workspace.models.iterdir() if not path.name.startswith("."))
    for path in found:
        if not path.is_dir() and (words := oddity(path)):
            raise InputError(
                f"models/{name_text(path.name)} is {words}, not the folder of a model",
                where=str(path),
                next_step="put the folder back, or remove what is in its place",
            )
    return [path for path in found if path.is_dir()]


def _read_model(
    reader: _WorkspaceReader, folder: Path, tables: dict[str, TableFile]
) -> tuple[Model, dict[str, TableFile]]:
    settings = reader.toml(folder / "model.toml", ModelSettings)
    own = {stem: reader.table(folder, stem, contract) for stem, contract in _MODEL_TABLES.items()}
    _refuse_unknown_tables(reader.workspace, folder, list(_MODEL_TABLES))
    place = folder.relative_to(reader.workspace.root).as_posix()
    if not own["parts"].path:
        raise InputError(
            f"the model {folder.name} has no parts list",
            where=place,
            next_step=f"write {place}/parts.csv, see the README",
        )
    cross_checks.check_model(place, settings, own, tables["colours"])
    return Model(settings, own["parts"].frame, own["flexible_lines"].frame, own["amendments"].frame), own


@dataclass
class _WorkspaceReader:
    """Reads files from the archive's copies, and keeps the record of what was read."""

    workspace: Workspace
    is_archiving: bool = True
    records: list[tuple[str, str, str, int]] = field(default_factory=list)

    def toml(self, path: Path, kind: type[_Loaded]) -> _Loaded:
        """A settings file; read in place, because its errors name it, and refused if it differs from the archived copy."""
        value = load_toml(path, kind)
        if not self.is_archiving:
            return value
        file_hash = archive.store(path, self.workspace.archive)
        if load_toml(archive.place_of(file_hash, self.workspace.archive), kind) != value:
            raise InputError(
                f"{self._relative(path)} was changed while it was read",
                where=str(path),
                next_step="run the command again",
            )
        self.records.append((self._relative(path), file_hash, "", 0))
        return value

    def table(self, folder: Path, stem: str, contract: Contract) -> TableFile:
        """The table of a stem in any known file kind; empty where there is none."""
        places = [folder / f"{stem}{suffix}" for suffix in TABLE_SUFFIXES]
        found = [path for path in places if os.path.lexists(path)]
        for path in found:
            if words := oddity(path):
                raise InputError(
                    f"{self._relative(path)} is {words}, not a plain file",
                    where=str(path),
                    next_step="put a plain file in its place, or remove it",
                )
        if len(found) > 1:
            raise InputError(
                f"the table {stem} is there twice: {', '.join(path.name for path in found)}",
                where=self._relative(folder),
                next_step="keep one of the files",
            )
        if not found:
            return TableFile(contract, "", _with_lines(empty_frame(contract)))
        name = self._relative(found[0])
        place, file_hash = found[0], ""
        if self.is_archiving:
            file_hash = archive.store(found[0], self.workspace.archive)
            place = archive.place_of(file_hash, self.workspace.archive)
        rows = read_table(place, name, contract)
        self.records.append((name, file_hash, contract.name, rows.height))
        return TableFile(contract, name, rows)

    def _relative(self, path: Path) -> str:
        return name_text(path.relative_to(self.workspace.root).as_posix())


def read_table(path: Path, name: str, contract: Contract) -> pl.DataFrame:
    """A file of one contract's rows, typed, after source_line_number and record_number.

    Raises:
        InputError: the file cannot be read, or rows break the contract; names the first lines.
    """
    table = open_source(path, name).read(ReadOptions())
    if table.problems.height:
        raise InputError(
            f"{table.problems.height} rows of {name} do not fit its header",
            where="; ".join(describe_failures(table.problems, limit=5)),
            next_step="correct the rows and run the command again",
        )
    filled = [
        name
        for name in table.frame.columns
        if not name.startswith("(column ") or (table.frame[name].str.strip_chars() != "").any()
    ]
    return require_valid(contract, table.frame.select(filled), where=name)


def _with_lines(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(*(pl.lit(None, dtype=pl.Int64).alias(name) for name in POSITION_COLUMNS), pl.all())


def _refuse_unknown_tables(workspace: Workspace, folder: Path, known: list[str]) -> None:
    """Refuse a table under an unknown name: left out silently, a typing error would change a night's numbers."""
    if not folder.is_dir():
        return
    for path in sorted(folder.iterdir()):
        stem = next((path.name.removesuffix(s) for s in TABLE_SUFFIXES if path.name.endswith(s)), None)
        if stem is not None and stem not in known and not path.name.startswith((".", "~")):
            raise InputError(
                f"{path.name} is not a table kitfare knows",
                where=path.relative_to(workspace.root).as_posix(),
                next_step=f"rename or remove it; the tables here are: {', '.join(known)}",
            )
