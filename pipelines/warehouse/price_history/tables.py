"""What published tables take from the warehouse."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import polars as pl

from pipelines.warehouse.connect import Connection, frame_of
from schemas.contract import Contract
from schemas.published.intake import CORRECTED_ROW, EXPORT_FINDING, INTAKE_FILE, QUARANTINED_ROW, VENDOR_EXPORT
from schemas.published.price_history import OFFER_CONFIRMATION, OFFER_SOURCE, PRICE_HISTORY

_SOURCES: tuple[tuple[Contract, str], ...] = (
    (PRICE_HISTORY, "price_history"),
    (OFFER_CONFIRMATION, "offer_confirmation"),
    (VENDOR_EXPORT, "vendor_export"),
    (EXPORT_FINDING, "export_finding anti join withdrawn_file using (file_hash)"),
    (OFFER_SOURCE, "price_history"),
    (CORRECTED_ROW, "corrected_row"),
    (INTAKE_FILE, "intake_file()"),
    (QUARANTINED_ROW, "quarantined_row()"),
)


def intake_tables(con: Connection) -> dict[str, pl.DataFrame]:
    """The tables of ``_SOURCES``, each by its contract and key.

    Call it after :func:`history.fold`: rows that were never folded are counted nowhere, and the check
    ``row_accounting`` says so.
    """
    return {name: read() for name, read in readers_of_intake_tables(con).items()}


def readers_of_intake_tables(con: Connection) -> dict[str, Callable[[], pl.DataFrame]]:
    """For each table of :func:`intake_tables` a function that reads it, while the connection is open."""
    return {contract.name: partial(_table, con, contract, source) for contract, source in _SOURCES}


def _table(con: Connection, contract: Contract, source: str) -> pl.DataFrame:
    columns, key = ", ".join(contract.columns), ", ".join(contract.key)
    return frame_of(con, f"select {columns} from {source} order by {key}")
