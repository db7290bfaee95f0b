"""Answers SQL about published tables: read-only, without access to files or the network, limited in time and memory."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pyarrow

from pipelines.errors import UsageError
from pipelines.warehouse.connect import Connection, open_database

Asked = Callable[[str], list[dict[str, Any]]]

_BATCH_ROWS = 20_000
_TRIES = 5


def run_query(
    database: Path,
    sql: str,
    max_rows: int | None = 10_000,
    memory_limit_mb: int = 1024,
    timeout_seconds: float = 60,
) -> pl.DataFrame:
    """Run a query on a published database, without stopping others from reading it or from publishing.

    Args:
        database: such as published/private/kitfare.duckdb; the link is followed once, so that the answer is of one generation.
        sql: one or more statements; the result of the last one is returned.
        max_rows: rows returned at most; None for all.
        memory_limit_mb: memory that the query may take, and that its answer may take besides, in MB; nothing spills to disk.
        timeout_seconds: time the query may take.

    Raises:
        UsageError: there is no such database, or DuckDB refuses or gives up; its message is passed on.
    """
    with _session(database, memory_limit_mb) as con:
        return _limited(con, sql, max_rows, memory_limit_mb, timeout_seconds)


@contextmanager
def asking(database: Path, memory_limit_mb: int = 1024, timeout_seconds: float = 60) -> Iterator[Asked]:
    """Ask several questions about one generation, whatever is published meanwhile; rows come as dictionaries.

    Raises:
        UsageError: as :func:`run_query`, which has the same limits for each question.
    """
    with _session(database, memory_limit_mb) as con:
        yield lambda sql: _limited(con, sql, None, memory_limit_mb, timeout_seconds).to_dicts()


@contextmanager
def _session(database: Path, memory_limit_mb: int) -> Iterator[Connection]:
    con = _opened(database, memory_limit_mb)
    try:
        con.execute("set enable_external_access = false")
        con.execute("set lock_configuration = true")
        yield con
    finally:
        con.close()


def _opened(database: Path, memory_limit_mb: int) -> Connection:
    """Between following the link and opening, the generation may go, if others are published: then the link is followed again."""
    for left in reversed(range(_TRIES)):
        if not database.is_file():
            raise UsageError("nothing is published yet", where=str(database), next_step="run `kitfare refresh`")
        place = database.resolve()
        try:
            return open_database(place, read_only=True, spill=None, memory_limit=f"{memory_limit_mb}MB")
        except Exception:
            if place.is_file() or not left:
                raise
    raise AssertionError("unreachable")


def _limited(
    con: Connection, sql: str, max_rows: int | None, memory_limit_mb: int, timeout_seconds: float
) -> pl.DataFrame:
    timer = threading.Timer(timeout_seconds, con.interrupt)
    timer.start()
    try:
        return _answer(con, sql, max_rows, memory_limit_mb)
    except (duckdb.Error, pyarrow.ArrowException, pl.exceptions.PolarsError, OSError, NotImplementedError) as error:
        if isinstance(error, duckdb.InterruptException) or "INTERRUPT" in str(error):
            raise UsageError(
                f"the query took longer than {timeout_seconds:g} seconds and was stopped",
                next_step="ask for less, or give it more time",
            ) from None
        raise UsageError(f"the query cannot be answered: {error}") from None
    finally:
        timer.cancel()


def _answer(con: Connection, sql: str, max_rows: int | None, memory_limit_mb: int) -> pl.DataFrame:
    """In batches, because DuckDB does not count what it has handed over against its limit."""
    relation = con.sql(sql)
    if relation is None:
        return pl.DataFrame()
    reader = (relation if max_rows is None else relation.limit(max_rows)).arrow(_BATCH_ROWS)
    schema, batches, size = reader.schema, [], 0
    for batch in reader:
        batches.append(batch)
        size += batch.nbytes
        if size > memory_limit_mb * 1_000_000:
            raise UsageError(
                f"the answer takes more than {memory_limit_mb} MB",
                next_step="ask for fewer rows or columns; published/private/tables/ has every table as a file",
            )
    found = pl.from_arrow(pyarrow.Table.from_batches(batches, schema=schema))
    assert isinstance(found, pl.DataFrame)
    return found
