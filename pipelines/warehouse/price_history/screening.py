"""Reads from the history what the screen of suspect prices needs, and keeps its findings for the markets.

A market may have millions of new prices, so they stay in the database, which keeps to its memory and uses the disk beyond it.
What leaves it are numbers, in pieces. Only days on which something changed since the last screen, and those after, are screened
again: see sql/screens/changed_day.sql.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

import polars as pl

from pipelines.resources import sql_texts
from pipelines.warehouse.connect import MEMORY_LIMIT, Connection, frame_of, insert_frame, transaction

SCREEN_MEMORY = "700MB"
"""What the database may use meanwhile; with Python, Polars and the pieces, the process stays below 1.5 GiB."""
PIECE = 1_000_000
"""Price periods or changes of prices handed over at a time, about; those of one step, or of one day, stay together."""
BATCH = 200_000
"""Candidates handed over at a time."""
_MADE = (
    "changed_day", "new_price", "common_rate", "standing_out", "vendor", "shared_element", "candidate",
    "element_day", "vendor_price",
)  # fmt: skip


@contextmanager
def screen(con: Connection, parts: pl.DataFrame, exchange_rates: pl.DataFrame) -> Iterator[None]:
    """Within it, the functions below may be called; the database keeps to less memory, and what they make is gone after.

    Args:
        con: from ``connect.writer``.
        parts: contract PARTS.
        exchange_rates: contract EXCHANGE_RATES.
    """
    con.execute(f"set memory_limit = '{SCREEN_MEMORY}'")
    con.register("screen_part", parts)
    con.register("screen_exchange_rate", exchange_rates)
    yield
    # Not in a finally: in a database that a full disk has broken this fails too, and would hide why.
    for table in _MADE:
        con.execute(f"drop table if exists temp.{table}")
    for frame in ("screen_part", "screen_exchange_rate"):
        con.unregister(frame)
    con.execute(f"set memory_limit = '{MEMORY_LIMIT}'")


def first_changed_day(con: Connection, basis: str) -> date | None:
    """The first day on which something is other than when prices were last screened; None where nothing is.

    Args:
        con: within :func:`screen`.
        basis: what else the screen depends on on every day: the software, the common currency.
    """
    _set(con, basis=basis)
    _run(con, "changed_day")
    found = con.execute(
        "select min(changed_on) from (from changed_day except from screened_day union all "
        "(from screened_day except from changed_day))"
    ).fetchall()
    day: date | None = found[0][0]
    return day


def step_periods(con: Connection, since: date) -> Iterator[pl.DataFrame]:
    """All price periods of steps of which one began on a day or later, whole steps at a time: see sql/screens/step_period.sql."""
    found = con.execute("select count(*) from price_period").fetchall()
    pieces = 1 + found[0][0] // PIECE
    for piece in range(pieces):
        _set(con, since=since, piece_count=pieces, piece=piece)
        yield frame_of(con, _query("step_period"))


def set_new_prices(con: Connection, found: Iterable[pl.DataFrame]) -> tuple[list[date], list[str]]:
    """Make these the new prices: price_number, valid_from_on, unit_price, own_price. Their days and all currencies are returned."""
    con.execute(
        "create or replace temp table new_price (price_number bigint, valid_from_on date, unit_price double, own_price double)"
    )
    for frame in found:
        insert_frame(con, "new_price", frame)
    days = con.execute("select distinct valid_from_on from new_price order by valid_from_on").fetchall()
    codes = con.execute("select distinct currency_code from price_period order by currency_code").fetchall()
    return [day for (day,) in days], [code for (code,) in codes]


def set_rates(con: Connection, rates: pl.DataFrame) -> None:
    """Make these the rates: day, currency_code, factor."""
    con.register("given_rate", rates)
    con.execute("create or replace temp table common_rate as from given_rate")
    con.unregister("given_rate")


def price_changes(con: Connection) -> Iterator[pl.DataFrame]:
    """New prices that have others of their offer before them, whole days at a time: see sql/screens/price_change.sql."""
    counted = con.execute(
        "select valid_from_on, count(own_price) from new_price group by valid_from_on order by valid_from_on"
    ).fetchall()
    first, count = None, 0
    for number, (day, found) in enumerate(counted, 1):
        first, count = first or day, count + found
        if count >= PIECE or number == len(counted):
            _set(con, first_day=first, last_day=day)
            yield frame_of(con, _query("price_change"))
            first, count = None, 0


def candidates_with_market(con: Connection, standing_out: list[pl.DataFrame]) -> Iterator[pl.DataFrame]:
    """Changes that stand out and first prices, with the market's quartiles: see sql/screens/candidate_market.sql.

    The connection can't be used for anything else until the last piece.

    Args:
        con: as above.
        standing_out: price_number, own_ratio.
    """
    con.execute("create or replace temp table standing_out (price_number bigint, own_ratio double)")
    for frame in standing_out:
        insert_frame(con, "standing_out", frame)
    _run(con, "vendor")
    _run(con, "shared_element")
    _run(con, "candidate")
    con.execute("drop table new_price")
    _run(con, "element_day")
    _run(con, "vendor_price")
    for batch in con.sql(_query("candidate_market")).to_arrow_reader(BATCH):
        found = pl.from_arrow(batch)
        assert isinstance(found, pl.DataFrame)
        yield found


def keep_flagged(con: Connection, flagged: list[pl.DataFrame], since: date) -> None:
    """Make these the suspect prices of a day and later, and remember what was screened.

    Args:
        con: as above.
        flagged: frames of price_number, own_price, own_ratio, market_price, market_ratio, rival_vendor_count, pack_size, suspicion.
        since: as for :func:`step_periods`.
    """
    with transaction(con):
        con.execute("delete from flagged_price where price_from_on >= ?", [since])
        for frame in flagged:
            con.register("found_price", frame)
            _run(con, "flagged_price")
            con.unregister("found_price")
        con.execute("delete from screened_day")
        con.execute("insert into screened_day from changed_day")


def suspect_price_periods(con: Connection) -> pl.DataFrame:
    """The price periods in which suspect prices stood: see sql/screens/suspect_price_period.sql."""
    return frame_of(con, _query("suspect_price_period"))


def set_suspects(con: Connection, suspects: pl.DataFrame) -> None:
    """Make these the price periods that markets call suspect.

    Args:
        con: from ``connect.writer``.
        suspects: offer_id, step_from_quantity, cleared_from_on.
    """
    with transaction(con):
        con.execute("delete from suspect_price")
        insert_frame(con, "suspect_price", suspects.select("offer_id", "step_from_quantity", "cleared_from_on"))


def _set(con: Connection, **values: Any) -> None:
    """Set variables of the queries."""
    for name, value in values.items():
        con.execute(f"set variable {name} = $1", [value])


def _run(con: Connection, name: str) -> None:
    con.execute(sql_texts("screens")[name])


def _query(name: str) -> str:
    return sql_texts("screens")[name].rstrip().removesuffix(";")
