"""Checks on the tables about to be published: each is a query that returns the rows that break its promise."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from pipelines.errors import CheckFailedError
from pipelines.resources import leading_comment, sql_texts
from pipelines.warehouse.connect import Connection, frame_of, reader
from pipelines.warehouse.publishing.generation import CONTRACTS
from schemas.contract import Contract
from schemas.published.runs import CHECK_RESULT
from schemas.validate import polars_schema

SHOWN_ROWS = 3


def run_checks(database: Path, *, stale_after_days: int = 30) -> pl.DataFrame:
    """Run every query of sql/checks/, and one for the key of every table.

    Args:
        database: kitfare.duckdb of the generation.
        stale_after_days: the setting the plans were made with.

    Returns:
        CHECK_RESULT, by name: 0 rows failed in each.

    Raises:
        CheckFailedError: with the promise of each failed check and the first rows that break it.
    """
    with reader(database) as con:
        con.execute(f"set variable stale_after_days = {int(stale_after_days)}")
        bad_rows = {name: _bad_rows(con, name, sql) for name, sql in sorted(check_queries().items())}
    failed = {name: rows for name, rows in bad_rows.items() if rows.height}
    if failed:
        raise CheckFailedError(
            f"{len(failed)} of {len(bad_rows)} checks failed on the tables about to be published",
            where="\n".join(_message(name, rows) for name, rows in failed.items()),
            state="nothing was published; the last good generation stays",
            next_step="report this to the maintainers of kitfare, with these rows",
        )
    counts = {"check_name": list(bad_rows), "failed_row_count": [0] * len(bad_rows)}
    return pl.DataFrame(counts, schema=polars_schema(CHECK_RESULT))


def check_queries() -> dict[str, str]:
    """Every check by its name."""
    return {**sql_texts("checks"), **{f"key_of_{name}": _key_query(contract) for name, contract in CONTRACTS.items()}}


def _bad_rows(con: Connection, name: str, sql: str) -> pl.DataFrame:
    try:
        return frame_of(con, sql)
    except duckdb.Error as error:
        raise CheckFailedError(f"the check {name} could not run: {error}", state="nothing was published") from error


def _key_query(contract: Contract) -> str:
    key = ", ".join(contract.key)
    return (
        f"-- no two rows of {contract.name} share a key\n"
        f"select {key}, count(*) as row_count from {contract.name} group by {key} having row_count > 1"
    )


def _message(name: str, rows: pl.DataFrame) -> str:
    shown = "\n".join(f"      {_row_in_words(row)}" for row in rows.head(SHOWN_ROWS).iter_rows(named=True))
    more = f"\n      and {rows.height - SHOWN_ROWS} more" if rows.height > SHOWN_ROWS else ""
    return f"{name}: {leading_comment(check_queries()[name])}\n{shown}{more}"


def _row_in_words(row: dict[str, object]) -> str:
    return ", ".join(f"{name}={value}" for name, value in row.items() if value is not None)
