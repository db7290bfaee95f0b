"""The steps that make a generation: tables, history by month, pages, and the one rename that lets readers see it."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

import polars as pl

from pipelines import __version__
from pipelines.flows.steps.night import Markets, Night, StepRecord
from pipelines.reporting import pages
from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.leak_check import check_public
from pipelines.reporting.orders import order_lists
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import tables as warehouse_tables
from pipelines.warehouse.publishing import checks, generation, partitions
from pipelines.warehouse.publishing.table_files import TableFiles
from pipelines.workers import spread
from pipelines.workspace import DATABASE, PUBLIC, Workspace
from schemas.published.plans import MODEL_COST
from schemas.published.price_history import PRICE_HISTORY
from schemas.published.runs import CHECK_RESULT, REFRESH_RUN
from schemas.published.watches import WATCH_RESULT
from schemas.validate import polars_schema, validate_typed

_ORDER_LISTS = ("order lists", "")


def write_tables(night: Night, records: Sequence[StepRecord]) -> Night:
    """Write the database and the table files, and run every check on them; from then on they are read from there.

    Raises:
        CheckFailedError: a check returned rows; the folder is not published.
    """
    with connect.reader(night.workspace.warehouse) as con:
        made = {"input_file": night.inputs.input_files, REFRESH_RUN.name: _refresh_run(night, records)}
        # The price history is the largest table by far: it is read when its turn comes.
        from_warehouse = warehouse_tables.readers_of_intake_tables(con)
        generation.build(night.folder, {**night.inputs.tables, **night.tables, **made, **from_warehouse})
    stale = night.settings.refresh.stale_after_days
    results = checks.run_checks(night.folder / DATABASE, stale_after_days=stale)
    generation.replace_table(night.folder, CHECK_RESULT, results)
    return replace(night, tables={}, markets=Markets(), suspects=pl.DataFrame())


def _refresh_run(night: Night, records: Sequence[StepRecord]) -> pl.DataFrame:
    stamp = {
        "refresh_id": night.refresh_id,
        "priced_on": night.day,
        "started_at": night.started_at,
        "finished_at": None,
        "software_version": __version__,
        "inputs_hash": night.inputs_hash,
    }
    run = pl.DataFrame([{**stamp, **asdict(record)} for record in records])
    run = run.cast(polars_schema(REFRESH_RUN)).select(REFRESH_RUN.columns)
    return validate_typed(REFRESH_RUN, run, where=REFRESH_RUN.name)


def write_history(night: Night) -> Night:
    """Write the price history once more, by month, for engines that read folders of Parquet; unchanged months are linked."""
    published = night.workspace.published
    previous = published.resolve() if published.exists() else None
    with connect.disk_trouble_in_words(night.folder):
        partitions.write_partitions(night.folder, night.written[PRICE_HISTORY.name], previous)
    return night


def write_pages(night: Night) -> Night:
    """Pages, reports of all months, order lists: made from the tables alone, so nothing is carried over; by several processes.

    Each process gets the folder and reads the tables that its pages need.
    """
    site = pages.Site(night.written, night.inputs, night.folder)
    groups = [_ORDER_LISTS, *pages.page_groups(PageData(night.written, night.inputs))]
    with connect.disk_trouble_in_words(night.folder):
        for _ in spread(_write_group, site, ((group, group) for group in groups), night.settings.refresh.workers):
            pass
    return night


def _write_group(site: pages.Site, group: pages.PageGroup) -> None:
    if group == _ORDER_LISTS:
        order_lists.write_order_lists(site.tables, site.inputs.settings, site.folder)
    else:
        pages.write_page_group(site, group)


def check_what_is_public(night: Night) -> Night:
    """Let nothing be published that gives away a private parts list.

    Raises:
        CheckFailedError: a public file names a private part; the folder is not published.
    """
    check_public(night.folder / PUBLIC, night.inputs)
    return night


def publish(night: Night) -> Path:
    """Give the generation its name and let readers see it; returns its folder."""
    final = night.workspace.generations / night.refresh_id
    if final.exists():
        shutil.rmtree(final)
    night.folder.rename(final)
    generation.publish(night.workspace, final, night.settings.refresh.keep_generations)
    return final


def published_costs(night: Night) -> pl.DataFrame | None:
    """The published model_cost if the generation readers see is this night's, and is there; None otherwise."""
    published = night.workspace.published
    if not published.is_symlink() or published.resolve().name != night.refresh_id:
        return None
    if not (published / DATABASE).is_file():
        return None
    return TableFiles(published).get(MODEL_COST.name)


def watches_before(workspace: Workspace) -> pl.DataFrame | None:
    """What the watches found in the generation that readers see now; None if it has no such table."""
    return TableFiles(workspace.published).get(WATCH_RESULT.name)
