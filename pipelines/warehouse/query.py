"""Answers questions in SQL about published tables: read-only, sealed from files and the network, limited in time."""

from __future__ import annotations

import threading
from pathlib import Path

import duckdb
import polars as pl

from pipelines.errors import UsageError
from pipelines.warehouse.connect import Connection, open_database


def run_query(
    database: Path,
    sql: str,
    max_rows: int | None = 10_000,
    memory_limit_mb: int = 1024,
    timeout_seconds: float = 60,
) -> pl.DataFrame:
    """Run a query on a published database, which no one else need be kept from writing or reading meanwhile.

    Args:
        database: such as published/kitfare.duckdb; the link is followed once, so that the answer is of one generation.
        sql: one or more statements; the result of the last one is returned.
        max_rows: rows returned at most; None for all.
        memory_limit_mb: memory the query may take, in MB; nothing spills to disk.
        timeout_seconds: time the query may take.

    Raises:
        UsageError: there is no such database, or DuckDB refuses or gives up; its message is passed on.
    """
    if not database.is_file():
        raise UsageError("nothing is published yet", where=str(database), next_step="run `kitfare refresh`")
    con = open_database(
        database.resolve(),
        read_only=True,
        spill=None,
        memory_limit=f"{memory_limit_mb}MB",
    )
    timer = threading.Timer(timeout_seconds, con.interrupt)
    try:
        con.execute("set enable_external_access = false")
        con.execute("set lock_configuration = true")
        timer.start()
        return _answer(con, sql, max_rows)
    except duckdb.InterruptException:
        raise UsageError(
            f"the query took longer than {timeout_seconds:g} seconds and was stopped",
            next_step="ask for less, or give it more time",
        ) from None
    except (duckdb.Error, pl.exceptions.PolarsError) as error:
        raise UsageError(f"the query cannot be answered: {error}") from None
    finally:
        timer.cancel()
        con.close()


def _answer(con: Connection, sql: str, max_rows: int | None) -> pl.DataFrame:
    relation = con.sql(sql)
    if relation is None:
        return pl.DataFrame()
    return (relation if max_rows is None else relation.limit(max_rows)).pl()
