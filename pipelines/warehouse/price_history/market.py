"""Prices as of a date, for planning and trends. The queries are macros, so that a reader of the published file has them."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipelines.warehouse.connect import Connection, frame_of


def market_on(con: Connection, day: date, stale_after_days: int) -> pl.DataFrame:
    """The offers that can be bought on a day: price period open, in stock, confirmed at most ``stale_after_days`` before.

    Returns:
        One row per price step, by key: the columns of PRICE_HISTORY but the last, all as of that day (``valid_to_on`` is empty,
        ``last_confirmed_on`` is the latest confirmation up to the day), and ``is_suspect``, false until a screen says
        otherwise.
    """
    return frame_of(con, "select * from market_on(?, ?)", [day, stale_after_days])


def last_seen_prices(con: Connection, day: date) -> pl.DataFrame:
    """The latest price period of every offer ever seen up to a day, open or closed, fresh or stale, in stock or not.

    Returns:
        One row per price step, by key; columns as in :func:`market_on`, with ``valid_to_on`` where the offer was gone
        by that day.
    """
    return frame_of(con, "select * from last_seen_prices(?)", [day])


def summary_prices(con: Connection, day: date) -> pl.DataFrame:
    """The latest price summary per source, element and condition up to a day: PRICE_SUMMARY, by key."""
    return frame_of(con, "select * from summary_prices(?)", [day])
