"""The workspace's record of published index levels: one file per refresh that published months for the first time.

Files are ``index_vintages/<priced date>-<hash of the rows>.csv`` (contract INDEX_VINTAGE). kitfare writes them and never changes
one; like every input they are archived. A refresh uses only those of earlier priced dates, so that the same date priced again from the
same inputs gives the same numbers.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl

from pipelines.errors import InputError
from pipelines.inputs import WorkspaceInputs
from pipelines.workspace import Workspace
from schemas.published.price_index import INDEX_VINTAGE
from schemas.validate import empty_frame

FOLDER = "index_vintages"
_WRITING = ".writing-"


def vintage_files(workspace: Workspace) -> list[str]:
    """Names without endings, in the order of their dates."""
    return sorted(path.stem for path in (workspace.root / FOLDER).glob("[0-9]*.csv"))


def joined(frames: list[pl.DataFrame]) -> pl.DataFrame:
    """All vintages, sorted.

    Raises:
        InputError: two files state the same month.
    """
    whole = pl.concat([empty_frame(INDEX_VINTAGE), *frames]).sort(INDEX_VINTAGE.key)
    twice = whole.filter(pl.struct(INDEX_VINTAGE.key).is_duplicated())
    if twice.height:
        model, buyer, month, method = twice.row(0)[: len(INDEX_VINTAGE.key)]
        raise InputError(
            f"two files have the level first published for {method}, {model}, {buyer} and {month}",
            where=FOLDER,
            next_step="kitfare never writes that: remove the file that was copied or edited",
        )
    return whole


def before(inputs: WorkspaceInputs, day: date) -> WorkspaceInputs:
    """The inputs with the vintages of earlier priced dates only."""
    vintages = inputs.tables.get(INDEX_VINTAGE.name)
    if vintages is None:
        return inputs
    is_later = (pl.col("table_name") == INDEX_VINTAGE.name) & (pl.col("input_path") >= f"{FOLDER}/{day}")
    return replace(
        inputs,
        tables={**inputs.tables, INDEX_VINTAGE.name: vintages.filter(pl.col("first_published_on") < day)},
        input_files=inputs.input_files.filter(~is_later),
    )


def place_of(workspace: Workspace, day: date, rows: pl.DataFrame) -> Path:
    """The file of rows first published with a date; named by what is in it, so that a night made again has the same file."""
    digest = hashlib.sha256(rows.write_csv().encode()).hexdigest()
    return workspace.root / FOLDER / f"{day}-{digest[:12]}.csv"


def write_vintage(workspace: Workspace, day: date, rows: pl.DataFrame) -> Path:
    """Write one file, whole or not at all.

    Args:
        workspace: in whose folder.
        day: the priced date.
        rows: contract INDEX_VINTAGE, months in no other file.
    """
    return write_whole(place_of(workspace, day, rows), rows)


def write_whole(path: Path, rows: pl.DataFrame) -> Path:
    """Write a CSV beside its place, then rename it: a kill leaves the old file or the new one."""
    path.parent.mkdir(exist_ok=True)
    handle, temporary = tempfile.mkstemp(prefix=_WRITING, dir=path.parent)
    with os.fdopen(handle, "wb") as stream:
        rows.write_csv(stream)
        stream.flush()
        os.fsync(stream.fileno())
    Path(temporary).replace(path)
    return path


def clean_leftovers(folder: Path) -> None:
    """Remove temporary files that a killed process left."""
    for leftover in folder.glob(f"{_WRITING}*"):
        leftover.unlink(missing_ok=True)
