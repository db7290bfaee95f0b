"""The one value that goes from step to step: what a refresh knows so far."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.planning.plan_tables import PLAN_CONTRACTS
from pipelines.settings import Settings
from pipelines.warehouse.publishing.table_files import TableFiles
from pipelines.workspace import Workspace

Tables = Mapping[str, pl.DataFrame]
"""Tables by the names of their contracts."""


@dataclass(frozen=True)
class Intake:
    """What was taken in: messages for people, rows that wait to be corrected, and rows read."""

    messages: tuple[str, ...] = ()
    quarantined_row_count: int = 0
    row_count: int = 0


@dataclass(frozen=True)
class HistoryState:
    """The folded history: what identifies it, the dates it spans (None while it is empty), and exports that wait.

    ``fresh_on`` is the latest date on which enough of the usual vendors have prices that are not stale.
    """

    fingerprint: str = ""
    first_observed_on: date | None = None
    last_observed_on: date | None = None
    fresh_on: date | None = None
    messages: tuple[str, ...] = ()


@dataclass(frozen=True)
class Markets:
    """Offers that could be bought on each date, and what was known of prices then."""

    by_day: Mapping[date, pl.DataFrame] = field(default_factory=dict)
    last_seen: Mapping[date, pl.DataFrame] = field(default_factory=dict)
    summaries: Mapping[date, pl.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True)
class StepRecord:
    """How long a step took, and how many rows it made: a row of the table refresh_run."""

    step_name: str
    step_seconds: float
    row_count: int


@dataclass(frozen=True)
class Night:
    """What a refresh knows so far. A step returns it with more filled in; what is not known yet is empty.

    Args:
        workspace: the user's folder.
        started_at: when the refresh began, UTC.
        day: the date to price; today, until the history is known.
        is_latest: whether that is the date of the latest export, by the settings.
        all_inputs: all inputs of the workspace.
        inputs: of these, what counts on the date: no record of what was published on it or later.
        intake: the files taken in.
        history: the price history.
        inputs_hash: one hash of all that shapes the published numbers.
        suspects: one row per price period of a suspect price.
        markets: what could be bought, on the date and on month ends before it.
        tables: tables to publish, made so far. Empty again once they are written: see ``written``.
    """

    workspace: Workspace
    started_at: datetime
    day: date
    all_inputs: WorkspaceInputs
    inputs: WorkspaceInputs
    intake: Intake = Intake()
    history: HistoryState = HistoryState()
    inputs_hash: str = ""
    suspects: pl.DataFrame = field(default_factory=pl.DataFrame)
    markets: Markets = Markets()
    tables: Tables = field(default_factory=dict)
    is_latest: bool = False

    @property
    def settings(self) -> Settings:
        """The workspace's settings."""
        return self.inputs.settings

    @property
    def days(self) -> list[date]:
        """The dates to price: the night's own, then month ends, latest first."""
        return [self.day, *month_ends_before(self.day, self.settings.refresh.months_back)]

    @property
    def market(self) -> pl.DataFrame:
        """What could be bought on the date."""
        return self.markets.by_day[self.day]

    @property
    def plans(self) -> Tables:
        """The tables of the plans, once the purchases are planned."""
        return {contract.name: self.tables[contract.name] for contract in PLAN_CONTRACTS}

    @property
    def refresh_id(self) -> str:
        """The date and its inputs: the name of the generation."""
        return f"{self.day.isoformat()}-{self.inputs_hash[:12]}"

    @property
    def folder(self) -> Path:
        """Where the generation is built."""
        return self.workspace.generations / f"{self.refresh_id}.building"

    @property
    def written(self) -> TableFiles:
        """The tables of the generation, read from its files when they are asked for."""
        return TableFiles(self.folder)

    def with_tables(self, *found: Tables) -> Night:
        """The night with more tables, or with others of the same names."""
        tables = dict(self.tables)
        for each in found:
            tables.update(each)
        return replace(self, tables=tables)

    def row_count_beyond(self, before: Night | None) -> int:
        """Rows of tables and markets that this night has and the one before has not, and rows of files taken in since."""
        known = set() if before is None else {id(frame) for frame in before._frames()}
        made = sum(frame.height for frame in self._frames() if id(frame) not in known)
        return made + self.intake.row_count - (0 if before is None else before.intake.row_count)

    def _frames(self) -> Iterator[pl.DataFrame]:
        yield from self.all_inputs.tables.values()
        yield from self.tables.values()
        yield self.suspects
        for frames in (self.markets.by_day, self.markets.last_seen, self.markets.summaries):
            yield from frames.values()


def month_ends_before(day: date, count: int) -> list[date]:
    """The last days of the ``count`` months before the month of ``day``, latest first."""
    ends, first = [], day.replace(day=1)
    for _ in range(count):
        ends.append(first - timedelta(days=1))
        first = ends[-1].replace(day=1)
    return ends
