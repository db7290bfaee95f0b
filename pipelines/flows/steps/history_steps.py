"""The steps about prices: fold the history, flag suspect prices, read the markets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from pipelines.flows.steps import price_screen
from pipelines.flows.steps.night import HistoryState, Markets, Night, Tables
from pipelines.intake.plausibility import sentences
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, market, messages


def fold_history(night: Night) -> Night:
    """Bring the price history up to date with all observations and the user's decisions about files."""
    tables = night.all_inputs.tables
    with connect.writer(night.workspace.warehouse) as con:
        history.set_corrections(con, tables["source_corrections"])
        history.fold(con)
        first, last = history.observed_dates(con)
        fresh_on = history.fresh_date(con, night.settings.refresh.stale_after_days)
        waiting = history.waiting_exports(con)
        ended = history.ended_corrections(con)
        vendor_codes = _not_named_yet(history.vendor_codes(con), waiting, messages.kept(con))
        unknown = _unknown_messages(tables, vendor_codes, load.readings(con))
        said = (*map(_waiting_message, waiting), *map(_ended_message, ended), *unknown)
        return replace(night, history=HistoryState(history.fingerprint(con), first, last, fresh_on, said))


def _not_named_yet(
    vendor_codes: Sequence[str], waiting: Sequence[history.WaitingExport], kept: Sequence[messages.Message]
) -> list[str]:
    """Vendors without those that the check of exports names tonight as missing in the tables."""
    mistyped = {
        export.vendor_code
        for export in waiting
        if any(finding_rule == "vendor_mistyped" for finding_rule, *_ in export.findings)
    }
    return [
        code
        for code in vendor_codes
        if code not in mistyped and not any(sentences.names_unknown_vendor(message.text, code) for message in kept)
    ]


def _unknown_messages(
    tables: Tables, vendor_codes: Sequence[str], received: Sequence[load.FileReceived]
) -> Iterator[str]:
    """What the user's tables and the price files do not know of each other."""
    missing = sorted(set(vendor_codes) - set(tables["vendors"]["vendor_code"]))
    if missing:
        yield f"tables/vendors lacks vendors of price files: {', '.join(missing)}; no plan uses their offers"
    hashes = {file.file_hash for file in received}
    for name in ("accepted_exports", "withdrawn_files"):
        for file_hash in sorted(set(tables[name]["file_hash"]) - hashes):
            yield f"tables/{name}: no file that was taken in has the hash {file_hash}; until one has, the row changes nothing"


def _waiting_message(export: history.WaitingExport) -> str:
    return (
        f"{export.file_name}: the export of {export.vendor_code} on {export.observed_on} waits: "
        f"{sentences.together(export.findings)}. If that is right: `kitfare accept {export.file_hash[:12]}`; "
        f"if not: `kitfare withdraw {export.file_hash[:12]}`"
    )


def _ended_message(correction: history.EndedCorrection) -> str:
    return (
        f"tables/source_corrections: the correction of {correction.vendor_code}, part {correction.part_code}, colour "
        f"{correction.colour_code}, from {correction.observed_from_on} has corrected nothing since {correction.error_ended_on}; "
        "if the source has corrected the error itself, fill in observed_to_on"
    )


def screen_prices(night: Night) -> Night:
    """Find suspect prices, and keep them out of plans and trends until they change or are confirmed."""
    with connect.writer(night.workspace.warehouse) as con:
        price_periods = price_screen.screened(con, night.inputs.tables, night.settings.buyer[0].currency_code)
    return replace(night, suspects=price_periods)


def read_markets(night: Night) -> Night:
    """The market on each date."""
    stale = night.settings.refresh.stale_after_days
    with connect.reader(night.workspace.warehouse) as con:
        markets = Markets(
            {day: market.market_on(con, day, stale) for day in night.days},
            {day: market.last_seen_prices(con, day) for day in night.days},
            {day: market.summary_prices(con, day) for day in night.days},
        )
    return replace(night, markets=markets)
