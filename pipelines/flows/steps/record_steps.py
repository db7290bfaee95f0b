"""The steps about records of nights: which still stand, clearing those that do not, and recording what is published."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from datetime import date

from pipelines.errors import KitfareError
from pipelines.flows.steps.night import Night, Tables
from pipelines.flows.steps.trend_steps import list_versions
from pipelines.intake.archiving import journal
from pipelines.intake.archiving.night_entries import NightEntry, PricedNight
from pipelines.intake.workspace import index_vintages, night_costs, night_records, workspace_files
from pipelines.intake.workspace.night_records import Due
from pipelines.trends.model_index import vintages
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import file_dates
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace
from schemas.inputs.price_decisions import WITHDRAWN_FILES
from schemas.published.plans import MODEL_COST
from schemas.published.price_index import INDEX_VINTAGE, PRICE_INDEX
from schemas.validate import empty_frame

SHOWN_DAYS = 7
"""More dates than this are shown as the first and the last."""


@dataclass(frozen=True)
class Cleared:
    """Records that were removed, and the dates to record again with the nights that each stands for."""

    days: tuple[date, ...] = ()
    again: Mapping[date, tuple[PricedNight, ...]] = field(default_factory=dict)

    @property
    def messages(self) -> list[str]:
        """What to say of it; nothing where nothing was to do."""
        found = []
        if self.days:
            found.append(
                f"Cleared the recorded costs and index levels of {days_in_words(self.days)}: a file that counted was "
                "withdrawn, or one that was withdrawn counts again."
            )
        if self.again:
            found.append(f"To be recorded again, from what is known now: {days_in_words(self.again)}.")
        return found


def days_in_words(days: Iterable[date]) -> str:
    """Dates for people: each of a few, or how many from the first to the last."""
    every = sorted(days)
    if len(every) <= SHOWN_DAYS:
        return ", ".join(map(str, every))
    return f"{len(every)} dates from {every[0]} to {every[-1]}"


def not_recorded(day: date, error: KitfareError) -> str:
    """What to say of a date that could not be recorded again."""
    return f"{day} was not recorded again: {error.what}. The next refresh tries again, or: `kitfare refresh --priced-on {day}`"


def due_records(
    workspace: Workspace, con: connect.Connection, withdrawn: Set[str], *, is_latest: bool
) -> tuple[journal.Journal, Due]:
    """The journal, and the records there are that do not stand with these files withdrawn.

    Args:
        workspace: its journal and records.
        con: the warehouse; records that no page of the journal names are taken for made with the files withdrawn in it.
        withdrawn: hashes.
        is_latest: whether the settings ask for the date of the latest export.
    """
    book = journal.read_journal(workspace.archive)
    unknown = night_records.unknown_records(workspace, book, file_dates.withdrawn_files(con), is_latest=is_latest)
    entries = [*unknown, *book.nights]
    first_readings = book.first_readings()
    changed = night_records.changed_decisions(entries, withdrawn) & first_readings.keys()
    first_observed = file_dates.first_dates(con, changed) if changed else {}
    # What a file gave when it was read another way is not known any more.
    times_read = Counter(reading.file_hash for reading in book.readings)
    first_observed |= {each: date.min for each in changed if times_read[each] > 1}
    found = night_records.due(entries, withdrawn, first_readings, first_observed)
    return book, replace(found, paths=tuple(path for path in found.paths if (workspace.root / path).is_file()))


def note_unknown_records(workspace: Workspace, con: connect.Connection, *, is_latest: bool) -> None:
    """Write record files that no page names into the journal; before a fold, while the warehouse knows the decisions of then."""
    book = journal.read_journal(workspace.archive)
    unknown = night_records.unknown_records(workspace, book, file_dates.withdrawn_files(con), is_latest=is_latest)
    journal.note_nights(workspace.archive, unknown)


def clear_records(night: Night) -> Cleared:
    """Remove the records that no longer stand, and find what to record again.

    Nothing is lost if this is cut short: what stands is worked out anew, and a night is due until a page says that it was
    recorded again.
    """
    workspace = night.workspace
    with connect.reader(workspace.warehouse) as con:
        book, due = due_records(workspace, con, withdrawn_now(night), is_latest=is_latest_export(night))
        if not due.paths and not due.nights:
            return Cleared()
        days = {each: _date_again(night, con, each, book) for each in due.nights}
    for path in due.paths:
        (workspace.root / path).unlink()
    again: dict[date, list[PricedNight]] = {}
    settled: list[NightEntry] = []
    first = night.history.first_observed_on
    recorded = {path: entry for entry in book.nights for path in entry.records}
    for each, day in days.items():
        if day is None or first is None or day < first or _has_record(workspace, day, recorded):
            settled.append(_entry(night, (), len(book.readings), (each,), each.priced_on))
        else:
            again.setdefault(day, []).append(each)
    journal.note_nights(workspace.archive, settled)
    return Cleared(tuple(due.days), {day: tuple(again[day]) for day in sorted(again)})


def _date_again(night: Night, con: connect.Connection, priced: PricedNight, book: journal.Journal) -> date | None:
    """The date that an earlier night prices when it is made again: of the files of then, those that count now; no later than it was."""
    if not priced.is_latest:
        return priced.priced_on
    arrived = {reading.file_hash for reading in book.readings[: priced.reading_count]}
    fresh_on = file_dates.fresh_date_of(con, night.settings.refresh.stale_after_days, arrived)
    return min(priced.priced_on, fresh_on) if fresh_on else None


def _has_record(workspace: Workspace, day: date, recorded: Mapping[str, NightEntry]) -> bool:
    """Whether a date's record was made by a night that stands, and not by a recording again that was cut short."""
    place = night_costs.place_of(workspace, day)
    entry = recorded.get(place.relative_to(workspace.root).as_posix())
    return place.is_file() and (entry is None or bool(entry.stands_for))


def with_records_of_now(night: Night) -> Night:
    """The night with the records as they are now; all other inputs stay as they were read."""
    inputs = workspace_files.with_records_of_now(night.workspace, night.all_inputs)
    journal.note_inputs(night.workspace.archive, dict(inputs.input_files.select("input_path", "file_hash").iter_rows()))
    return replace(night, all_inputs=inputs, inputs=inputs)


def record_published(night: Night) -> Night:
    """Keep the night's costs, and the levels of months that are published for the first time.

    A refresh of a date before a recorded one keeps no levels: they were not published at that time.
    """
    workspace = night.workspace
    count = len(journal.read_journal(workspace.archive).readings)
    itself = PricedNight(night.started_at, count, night.day, night.is_latest)
    _keep(night, night.written, count, (itself,))
    return night


def record_again(night: Night, stands_for: Sequence[PricedNight]) -> None:
    """Record the night's date for earlier nights, as it would be published; it is not published.

    The journal says whose record it is only once its files are there, so that a kill leaves these nights due.
    """
    costs = night.tables[MODEL_COST.name]
    tables = {
        contract.name: generation.as_published(contract, night.tables[contract.name], costs)
        for contract in (MODEL_COST, PRICE_INDEX)
    }
    count = len(journal.read_journal(night.workspace.archive).readings)
    paths = _keep(night, tables, count, ())
    journal.note_nights(night.workspace.archive, [_entry(night, paths, count, stands_for, night.day)])


def _keep(night: Night, tables: Tables, reading_count: int, stands_for: Sequence[PricedNight]) -> tuple[str, ...]:
    """Record a date, in the journal first; returns the paths of the files."""
    workspace, day = night.workspace, night.day
    costs = night_costs.nights_of(tables["model_cost"], day)
    # With all vintages, later ones too.
    known = night.all_inputs.tables.get(INDEX_VINTAGE.name, empty_frame(INDEX_VINTAGE))
    levels = empty_frame(INDEX_VINTAGE)
    if not (known["first_published_on"] > day).any():
        levels = vintages.new_vintages(tables["price_index"], known, list_versions(night.all_inputs, day), day)
    places = []
    if night_costs.is_recorded_now(workspace, costs, day):
        places.append(night_costs.place_of(workspace, day))
    if levels.height:
        places.append(index_vintages.place_of(workspace, day, levels))
    paths = tuple(path.relative_to(workspace.root).as_posix() for path in places)
    journal.note_nights(workspace.archive, [_entry(night, paths, reading_count, stands_for, day)])
    night_costs.write_night(workspace, costs, day)
    if levels.height:
        index_vintages.write_vintage(workspace, day, levels)
    return paths


def withdrawn_now(night: Night) -> frozenset[str]:
    """The files that are withdrawn by the tables as they were read."""
    return frozenset(night.all_inputs.tables[WITHDRAWN_FILES.name]["file_hash"].to_list())


def is_latest_export(night: Night) -> bool:
    """Whether the settings ask for the date of the latest export."""
    return night.all_inputs.settings.refresh.priced_on == "latest_export"


def _entry(
    night: Night, paths: tuple[str, ...], reading_count: int, stands_for: Sequence[PricedNight], day: date
) -> NightEntry:
    with connect.reader(night.workspace.warehouse) as con:
        waiting = file_dates.waiting_files(con)
    return NightEntry(
        night.refresh_id if night.inputs_hash else "",
        day,
        night.started_at,
        reading_count,
        paths,
        tuple(stands_for),
        withdrawn_now(night),
        waiting,
    )
