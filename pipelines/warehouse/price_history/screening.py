"""Reads from the history what the screen of suspect prices needs, and keeps its findings for the markets."""

from __future__ import annotations

import polars as pl

from pipelines.resources import sql_texts
from pipelines.warehouse.connect import Connection, frame_of, insert_frame, transaction


def new_prices(con: Connection) -> pl.DataFrame:
    """Every new price of an offer's step with the price usual for it before: see sql/screens/new_price.sql."""
    return frame_of(con, _query("new_price"))


def rival_prices(con: Connection, candidates: pl.DataFrame) -> pl.DataFrame:
    """What other vendors asked for the same element when a price came up: see sql/screens/rival_price.sql.

    Args:
        con: from ``connect.writer`` or ``connect.reader``.
        candidates: candidate_number, vendor_code, part_code, colour_code, condition, valid_from_on.
    """
    return _joined(con, "screen_candidate", candidates, "rival_price")


def suspect_price_periods(con: Connection, flagged: pl.DataFrame) -> pl.DataFrame:
    """The price periods in which prices stood: see sql/screens/suspect_price_period.sql.

    Args:
        con: as above.
        flagged: price_number, vendor_code, part_code, colour_code, condition, listing_code, step_from_quantity,
            currency_code, price_from_on, next_price_on.
    """
    return _joined(con, "flagged_price", flagged, "suspect_price_period")


def set_suspects(con: Connection, suspects: pl.DataFrame) -> None:
    """Make these the price periods that markets call suspect.

    Args:
        con: from ``connect.writer``.
        suspects: offer_id, step_from_quantity, cleared_from_on.
    """
    with transaction(con):
        con.execute("delete from suspect_price")
        insert_frame(con, "suspect_price", suspects.select("offer_id", "step_from_quantity", "cleared_from_on"))


def _joined(con: Connection, name: str, frame: pl.DataFrame, query: str) -> pl.DataFrame:
    con.register(name, frame)
    try:
        return frame_of(con, _query(query))
    finally:
        con.unregister(name)


def _query(name: str) -> str:
    return sql_texts("screens")[name].rstrip().removesuffix(";")
