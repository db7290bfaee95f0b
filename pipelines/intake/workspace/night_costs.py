"""The workspace's record of the costs of each night: one file per priced date, ``night_costs/<date>.csv`` (NIGHTLY_COST).

A refresh uses earlier dates only. The same date priced again replaces its file, because the last result of a night counts;
once a later date has a file, it stays as it is. A date without a file gets one at any time. Like every input the files are
archived.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipelines.errors import InputError
from pipelines.inputs import WorkspaceInputs
from pipelines.intake.workspace.index_vintages import write_whole
from pipelines.workspace import Workspace
from schemas.published.over_time import NIGHTLY_COST
from schemas.validate import empty_frame

FOLDER = "night_costs"
NIGHTS_SHOWN = 62
"""Two months of nights; month ends of earlier months are in model_cost."""


def night_files(workspace: Workspace, last: int = NIGHTS_SHOWN) -> list[str]:
    """Names without endings of the latest nights' files, in order; of all for 0."""
    return sorted(path.stem for path in (workspace.root / FOLDER).glob("[0-9]*.csv"))[-last:]


def joined(frames: list[pl.DataFrame]) -> pl.DataFrame:
    """All nights.

    Raises:
        InputError: two files state the same night.
    """
    whole = pl.concat([empty_frame(NIGHTLY_COST), *frames])
    twice = whole.filter(pl.struct(NIGHTLY_COST.key).is_duplicated())
    if twice.height:
        raise InputError(
            f"two files have the costs of {twice.row(0, named=True)['priced_on']}",
            where=FOLDER,
            next_step="kitfare never writes that: remove the file that was copied or edited",
        )
    return whole


def before(inputs: WorkspaceInputs, day: date) -> WorkspaceInputs:
    """The inputs with the costs of earlier nights only, those of the last two months."""
    costs = inputs.tables.get(NIGHTLY_COST.name)
    if costs is None:
        return inputs
    first = day - timedelta(days=NIGHTS_SHOWN)
    is_ours = pl.col("table_name") == NIGHTLY_COST.name
    is_in_view = (pl.col("input_path") < f"{FOLDER}/{day}") & (pl.col("input_path") >= f"{FOLDER}/{first}")
    return replace(
        inputs,
        tables={**inputs.tables, NIGHTLY_COST.name: costs.filter(pl.col("priced_on").is_between(first, day, "left"))},
        input_files=inputs.input_files.filter(~is_ours | is_in_view),
    )


def nights_of(model_cost: pl.DataFrame, day: date) -> pl.DataFrame:
    """Contract NIGHTLY_COST of one date: the columns that model_cost shares with it."""
    return model_cost.filter(pl.col("priced_on") == day).select(NIGHTLY_COST.columns).sort(NIGHTLY_COST.key)


def is_recorded_now(workspace: Workspace, rows: pl.DataFrame, day: date) -> bool:
    """Whether rows of a date are to be written: there are some, and no later date follows a file of this one."""
    names = night_files(workspace)
    return not rows.is_empty() and not (
        place_of(workspace, day).is_file() and any(name > day.isoformat() for name in names)
    )


def place_of(workspace: Workspace, day: date) -> Path:
    """The file of a date."""
    return workspace.root / FOLDER / f"{day}.csv"


def write_night(workspace: Workspace, rows: pl.DataFrame, day: date) -> Path | None:
    """Write the file of a date, whole or not at all; None where it stays as it is."""
    if not is_recorded_now(workspace, rows, day):
        return None
    return write_whole(place_of(workspace, day), rows)
