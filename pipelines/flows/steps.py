"""What each step of a refresh does: plain functions, each from values to a value. The order is in ``nightly.refresh``."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.insight import buying_tables
from pipelines.insight.flexibility import savings as insight_savings
from pipelines.insight.over_time import buying_time, vendor_changes, watches
from pipelines.insight.what_if import plan_variants
from pipelines.insight.what_if import suspect_prices as insight_suspects
from pipelines.intake import quarantine, take_in
from pipelines.intake.archiving import archive, journal
from pipelines.intake.profiles import profiles
from pipelines.intake.workspace import index_vintages, night_costs, workspace_files
from pipelines.planning import night
from pipelines.reporting import pages
from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.orders import order_lists
from pipelines.settings import Settings, Workspace
from pipelines.trends.outlook import availability, price_changes
from pipelines.trends.prices import suspects
from pipelines.warehouse import checks, connect, generation, history, load, market, partitions, query, screening
from pipelines.warehouse import tables as warehouse_tables
from pipelines.workers import spread
from schemas.published.runs import CHECK_RESULT, REFRESH_RUN
from schemas.published.watches import WATCH_RESULT
from schemas.published.what_if import PLAN_VARIANT
from schemas.validate import polars_schema, validate_typed

Progress = Any

FILES_WORTH_A_PROCESS = 8
"""With fewer files than this, starting processes costs more than it saves."""


@dataclass(frozen=True)
class IntakeSummary:
    """What was taken in: messages for people, and rows that wait to be corrected."""

    messages: list[str] = field(default_factory=list)
    quarantined_row_count: int = 0
    file_count: int = 0

    def __len__(self) -> int:
        return self.file_count


@dataclass(frozen=True)
class HistoryState:
    """The folded history: what identifies it, the dates it spans (None while it is empty), and exports that wait."""

    fingerprint: str
    first_observed_on: date | None
    last_observed_on: date | None
    messages: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Markets:
    """Offers that could be bought on each date, and what was known of prices then."""

    by_day: dict[date, pl.DataFrame]
    last_seen: dict[date, pl.DataFrame]
    summaries: dict[date, pl.DataFrame]

    def __len__(self) -> int:
        return sum(frame.height for frame in self.by_day.values())


def clean_up(workspace: Workspace) -> None:
    """Make the folders a refresh writes to, and remove what a killed refresh left behind."""
    for folder in (workspace.inbox, workspace.quarantined, workspace.archive, workspace.generations):
        folder.mkdir(exist_ok=True)
    generation.clean_leftovers(workspace)
    archive.clean_leftovers(workspace.archive)
    for recorded in (index_vintages.FOLDER, night_costs.FOLDER):
        index_vintages.clean_leftovers(workspace.root / recorded)


def read_inputs(workspace: Workspace) -> WorkspaceInputs:
    """Everything the workspace says, validated and archived; the archive's journal says from now on what it was."""
    inputs = workspace_files.read_workspace(workspace)
    if workspace.warehouse.is_file():
        # What a killed refresh took in was read with the inputs it wrote down.
        with connect.reader(workspace.warehouse) as con:
            if connect.is_made(con):
                _note_readings(workspace, con)
    journal.note_inputs(workspace.archive, dict(inputs.input_files.select("input_path", "file_hash").iter_rows()))
    return inputs


def _note_readings(workspace: Workspace, con: connect.Connection) -> None:
    known = load.readings(con)
    journal.note_readings(workspace.archive, [(file.file_hash, file.file_name, file.received_at) for file in known])


def take_in_files(workspace: Workspace, inputs: WorkspaceInputs, now: datetime) -> IntakeSummary:
    """Take every file of the inbox into the archive and the warehouse; what fails is quarantined, and nothing else stops.

    Files are read by several processes and loaded in the order of their names. A file leaves the inbox once its bytes are
    in the archive and its rows are committed; one that can't be read at all moves to quarantined/.
    """
    shared = (profiles.load_profiles(workspace.profiles), inputs.tables["code_map"], workspace.archive)
    messages: list[str] = []
    quarantined_count = 0
    paths = _dropped_files(workspace.inbox, messages)
    workers = inputs.settings.refresh.workers if len(paths) >= FILES_WORTH_A_PROCESS else 1
    waiting: dict[Path, take_in.TakenFile] = {}
    still_to_load = iter(paths)
    following = next(still_to_load, None)
    with connect.writer(workspace.warehouse) as con:
        for read, found in spread(_take_in_one, shared, ((path, path) for path in paths), workers):
            waiting[read] = found
            while following in waiting:
                path, taken = following, waiting.pop(following)
                status = load.load_file(con, taken, now)
                quarantined_file = _hold(taken, status, workspace.quarantined)
                messages += _message(path.name, taken, status, quarantined_file)
                quarantined_count += taken.failures["record_number"].n_unique() if quarantined_file else 0
                _leave_inbox(path, taken, status, workspace.quarantined)
                following = next(still_to_load, None)
        if paths:
            _note_readings(workspace, con)
    return IntakeSummary(messages, quarantined_count, len(paths))


def _take_in_one(shared: tuple[list[profiles.Profile], pl.DataFrame, Path], path: Path) -> take_in.TakenFile:
    known, code_map, archive_folder = shared
    return take_in.take_in(path, known, code_map, archive_folder)


def fold_history(workspace: Workspace, inputs: WorkspaceInputs) -> HistoryState:
    """Bring the price history up to date with all observations and the user's decisions about files."""
    with connect.writer(workspace.warehouse) as con:
        history.set_decisions(
            con,
            accepted=inputs.tables["accepted_exports"]["file_hash"].to_list(),
            withdrawn=inputs.tables["withdrawn_files"]["file_hash"].to_list(),
        )
        history.set_corrections(con, inputs.tables["source_corrections"])
        history.fold(con)
        first, last = history.observed_dates(con)
        waiting = history.waiting_exports(con)
        ended = history.ended_corrections(con)
        messages = [*(_waiting_message(export) for export in waiting), *(_ended_message(found) for found in ended)]
        return HistoryState(history.fingerprint(con), first, last, messages)


def _waiting_message(export: history.WaitingExport) -> str:
    return (
        f"{export.file_name}: waits, because it would close more than half of the offers of {export.vendor_code} on "
        f"{export.observed_on}; if that is right: `kitfare accept {export.file_hash[:12]}`"
    )


def _ended_message(found: history.EndedCorrection) -> str:
    return (
        f"source_corrections: the one of {found.vendor_code}, part {found.part_code}, colour {found.colour_code}, from "
        f"{found.observed_from_on} corrects nothing since {found.source_corrected_on}; if the source has corrected itself, give it an observed_to_on"
    )


def resolve_priced_on(settings: Settings, state: HistoryState) -> date:
    """The date to price: today, the newest date in the history, or the date the settings name."""
    chosen = settings.refresh.priced_on
    if isinstance(chosen, date):
        return chosen
    today = datetime.now(UTC).astimezone().date()
    return (state.last_observed_on or today) if chosen == "latest_export" else today


def published_tables(workspace: Workspace, refresh_id: str) -> dict[str, pl.DataFrame] | None:
    """The published model_cost if the generation readers see is this refresh's; None otherwise."""
    if not workspace.published.is_symlink() or workspace.published.resolve().name != refresh_id:
        return None
    database = workspace.published / generation.DATABASE_NAME
    return {"model_cost": query.run_query(database, "select * from model_cost", max_rows=None)}


def screen_prices(workspace: Workspace, inputs: WorkspaceInputs) -> pl.DataFrame:
    """Find the prices that stand out, and keep them from plans and trends until they change or are confirmed.

    Returns:
        One row per price period of such a price; :func:`weigh_suspects` adds what they could cost.
    """
    tables = inputs.tables
    with connect.writer(workspace.warehouse) as con:
        new_prices = screening.new_prices(con)
        rates = suspects.common_rates(new_prices, tables["exchange_rates"], inputs.settings.buyer[0].currency_code)
        found = suspects.candidates(new_prices, tables["parts"], rates)
        rivals = screening.rival_prices(con, found.select(suspects.CANDIDATE_COLUMNS))
        flagged = suspects.against_market(found, rivals, rates)
        price_periods = suspects.price_periods(
            flagged, screening.price_periods_of(con, suspects.flagged_prices(flagged))
        )
        price_periods = suspects.cleared(price_periods, tables["confirmed_prices"])
        screening.set_suspects(con, price_periods)
    return price_periods


def weigh_suspects(
    inputs: WorkspaceInputs,
    markets: Markets,
    plans: dict[str, pl.DataFrame],
    found: pl.DataFrame,
    variants: dict[str, pl.DataFrame],
    day: date,
) -> dict[str, pl.DataFrame]:
    """Rank the prices that stand out by what they could cost, and add to the variants plans that trust them."""
    ranked, trusting = insight_suspects.weigh_suspects(inputs, markets.by_day[day], plans, found, day)
    every = pl.concat([variants["plan_variant"], trusting]).sort(PLAN_VARIANT.key)
    return {**variants, "plan_variant": every, "suspect_price": ranked}


def read_markets(workspace: Workspace, inputs: WorkspaceInputs, days: list[date]) -> Markets:
    """The market on each date."""
    stale = inputs.settings.refresh.stale_after_days
    with connect.reader(workspace.warehouse) as con:
        return Markets(
            {day: market.market_on(con, day, stale) for day in days},
            {day: market.last_seen_prices(con, day) for day in days},
            {day: market.summary_prices(con, day) for day in days},
        )


def plan_purchases(
    workspace: Workspace, inputs: WorkspaceInputs, markets: Markets, day: date, progress: Progress
) -> dict[str, pl.DataFrame]:
    """Plans for every model, scenario, buyer and date."""
    return night.plan_night(
        inputs, markets.by_day, markets.last_seen, markets.summaries, day, workspace.root / ".plan_cache", progress
    )


def work_out_savings(
    inputs: WorkspaceInputs, markets: Markets, plans: dict[str, pl.DataFrame], day: date
) -> dict[str, pl.DataFrame]:
    """What flexible lines save in the priced date's plans, line by line, and which undecided lines to look at first."""
    return insight_savings.flexibility_savings(inputs, markets.by_day[day], plans, day)


def explain_plans(
    inputs: WorkspaceInputs, markets: Markets, plans: dict[str, pl.DataFrame], day: date
) -> dict[str, pl.DataFrame]:
    """What the cheapest mixes of the priced date would cost with other vendors, fewer parcels or other shipping charges."""
    return plan_variants.plan_variants(inputs, markets.by_day[day], plans, day)


def weigh_ways_of_buying(
    inputs: WorkspaceInputs,
    markets: Markets,
    plans: dict[str, pl.DataFrame],
    variants: dict[str, pl.DataFrame],
    day: date,
) -> dict[str, pl.DataFrame]:
    """The variants, and orders across models, the maker's shop question, whole costs and sensitivities of assumptions on the date."""
    market, seen, summaries = markets.by_day[day], markets.last_seen[day], markets.summaries[day]
    found = buying_tables.buying_tables(inputs, market, seen, summaries, plans, variants["plan_variant"], day)
    return {**variants, **found}


def look_ahead(
    inputs: WorkspaceInputs,
    markets: Markets,
    plans: dict[str, pl.DataFrame],
    trends: dict[str, pl.DataFrame],
    day: date,
) -> dict[str, pl.DataFrame]:
    """Availability, the spread of price changes, vendors' changes, when to buy, and what the watches found."""
    found = availability.availability(inputs, markets.by_day, markets.last_seen[day], markets.summaries[day])
    tables = {
        "element_availability": found.elements,
        "model_availability": found.models,
        "price_change_distribution": price_changes.price_change_distribution(trends["element_price"]),
        "vendor_change": vendor_changes.vendor_changes(inputs, markets.by_day, plans, day),
        **buying_time.buying_time(inputs, plans["model_cost"], trends["price_index"], day),
    }
    todays = plans["model_cost"].filter(pl.col("priced_on") == day)
    watched = watches.Watched(todays, tables["element_availability"], tables["vendor_change"])
    return {**tables, "watch_result": watches.watch_results(inputs, watched)}


def gather_tables(
    workspace: Workspace,
    inputs: WorkspaceInputs,
    plans: dict[str, pl.DataFrame],
    savings: dict[str, pl.DataFrame],
    variants: dict[str, pl.DataFrame],
    trends: dict[str, pl.DataFrame],
) -> dict[str, pl.DataFrame]:
    """Every table of the generation but the two that record the refresh itself."""
    with connect.reader(workspace.warehouse) as con:
        intake = warehouse_tables.intake_tables(con)
    return {
        **inputs.tables,
        **plans,
        **savings,
        **variants,
        **trends,
        **intake,
        "input_file": inputs.input_files,
    }


def write_tables(
    folder: Path,
    tables: dict[str, pl.DataFrame],
    records: list[dict[str, Any]],
    stamp: dict[str, Any],
    settings: Settings,
) -> dict[str, pl.DataFrame]:
    """Write the database and the table files, and run every check on them.

    Raises:
        CheckFailedError: a check returned rows; the folder is not published.
    """
    run = pl.DataFrame([{**stamp, "finished_at": None, **record} for record in records])
    run = run.cast(polars_schema(REFRESH_RUN)).select(REFRESH_RUN.columns)
    tables = {**tables, "refresh_run": validate_typed(REFRESH_RUN, run, where="refresh_run")}
    generation.build(folder, tables)
    results = checks.run_checks(folder / generation.DATABASE_NAME, stale_after_days=settings.refresh.stale_after_days)
    generation.replace_table(folder, CHECK_RESULT, results)
    return {**tables, "check_result": results}


def write_history(workspace: Workspace, folder: Path, tables: dict[str, pl.DataFrame]) -> None:
    """Write the price history once more, by month, for engines that read folders of Parquet; unchanged months are linked."""
    previous = workspace.published.resolve() if workspace.published.exists() else None
    with connect.disk_trouble_in_words(folder):
        partitions.write_partitions(folder, tables["price_history"], previous)


def write_pages(folder: Path, tables: dict[str, pl.DataFrame], inputs: WorkspaceInputs) -> None:
    """Pages, reports of all months, order lists: made from the tables alone, so nothing is carried over; by several processes."""
    site = pages.Site(tables, inputs, folder)
    groups = [_ORDER_LISTS, *pages.page_groups(PageData(tables, inputs))]
    with connect.disk_trouble_in_words(folder):
        for _ in spread(_write_group, site, ((group, group) for group in groups), inputs.settings.refresh.workers):
            pass


_ORDER_LISTS = ("order lists", "")


def _write_group(site: pages.Site, group: pages.PageGroup) -> None:
    if group == _ORDER_LISTS:
        order_lists.write_order_lists(site.tables, site.inputs.settings, site.folder)
    else:
        pages.write_page_group(site, group)


def publish(workspace: Workspace, folder: Path, refresh_id: str, settings: Settings) -> Path:
    """Give the generation its name and let readers see it."""
    final = workspace.generations / refresh_id
    if final.exists():
        shutil.rmtree(final)
    folder.rename(final)
    generation.publish(workspace, final, settings.refresh.keep_generations)
    return final


def watches_before(workspace: Workspace) -> pl.DataFrame | None:
    """What the watches found in the generation readers see now; None if there is none that knows."""
    path = workspace.published / "tables" / f"{WATCH_RESULT.name}.parquet"
    return pl.read_parquet(path) if path.is_file() else None


def _dropped_files(inbox: Path, messages: list[str]) -> list[Path]:
    """Files to take in, by name; what is not a plain file is left alone and named."""
    files = []
    for path in sorted(inbox.iterdir()):
        if path.name.startswith(".") or path.name.endswith((".part", ".tmp", "~")):
            continue
        if path.is_symlink() or not path.is_file():
            messages.append(f"{path.name}: left in the inbox, because it is not a plain file")
            continue
        files.append(path)
    return files


def _hold(taken: take_in.TakenFile, status: load.LoadStatus, quarantine_folder: Path) -> Path | None:
    """Write the file of quarantined rows, but never over one that someone may be correcting; None if no rows are quarantined anew."""
    if taken.error is not None:
        return None
    path = quarantine.quarantined_path(taken, quarantine_folder)
    if status == "duplicate":
        # There is none if the file was dropped again after it was corrected, or if a refresh was killed before it was written.
        return None if path.exists() else quarantine.write_quarantined(taken, quarantine_folder)
    path.unlink(missing_ok=True)
    return quarantine.write_quarantined(taken, quarantine_folder)


def _leave_inbox(path: Path, taken: take_in.TakenFile, status: load.LoadStatus, quarantine_folder: Path) -> None:
    """Take a file out of the inbox whose bytes are archived, unless it was replaced meanwhile: then it is a new file.

    A copy of it that waited in quarantined/ goes as well once the file can be used.
    """
    if not taken.file_hash or not path.exists() or archive.hash_of(path) != taken.file_hash:
        return
    waiting = quarantine_folder / path.name
    is_known = waiting.is_file() and archive.hash_of(waiting) == taken.file_hash
    if status != "quarantined":
        path.unlink()
        if is_known:
            waiting.unlink()
        return
    if waiting.exists() and not is_known:
        waiting = quarantine_folder / f"{path.stem}.{taken.file_hash[:8]}{path.suffix}"
    path.replace(waiting)


def _message(name: str, taken: take_in.TakenFile, status: load.LoadStatus, quarantined_file: Path | None) -> list[str]:
    if status == "duplicate":
        reported = [f"{name}: taken in before; nothing changed"]
    elif status == "reread":
        reported = [f"{name}: taken in before; profiles or the code map now say otherwise, so its rows are replaced"]
    else:
        reported = [f"{name}: {note}" for note in taken.notes]
    if status == "quarantined" and not taken.file_hash:
        reported.append(f"{name}: left in the inbox for the next refresh. {taken.error}")
    elif status == "quarantined":
        reported.append(
            f"{name}: quarantined whole; once that is corrected, move it from quarantined/ back to inbox/. {taken.error}"
        )
    elif quarantined_file is not None:
        count = taken.failures["record_number"].n_unique()
        reported.append(
            f"{name}: {count} of {taken.read_row_count} rows quarantined; correct them in {quarantined_file.name} and drop it back"
        )
    return reported
