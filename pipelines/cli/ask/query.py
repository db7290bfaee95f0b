"""``kitfare query``: reads the published tables with SQL."""

from __future__ import annotations

import json
import os
import resource
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.terminal.common import (
    WorkspaceOption,
    note,
    open_workspace,
    printable,
    published_database,
    text_table,
)

if TYPE_CHECKING:
    import polars as pl


MEMORY_MB = 1024
TIME_SECONDS = 60.0
_GRACE_SECONDS = 10.0
_RESERVE_BYTES = 2 << 30


class Format(StrEnum):
    """How rows are written."""

    table = "table"
    csv = "csv"
    json = "json"


def run(
    sql: Annotated[str, typer.Argument(metavar="SQL", help="One statement that reads.")],
    form: Annotated[Format, typer.Option("--format", help="How rows are written.")] = Format.table,
    limit: Annotated[int, typer.Option(min=0, metavar="NUMBER", help="Write at most this many rows; 0: all.")] = 1000,
    as_json: Annotated[bool, typer.Option("--json", help="The same as --format json.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Read the published tables with SQL.

    A query can't change anything or read other files. It may use 1 GB of memory and one minute. `kitfare dictionary`
    explains the tables. In JSON, exact numbers are text, so that no program rounds them.

    \b
    Examples:
      kitfare query "select * from model_cost"
      kitfare query "select vendor_code, count(*) from price_history group by 1"
      kitfare query "from price_index" --format csv --limit 0 > index.csv
    """
    database = published_database(open_workspace(workspace))

    from pipelines.warehouse.publishing.query import run_query

    with _last_resort():
        frame = run_query(database, sql, limit + 1 if limit else None, MEMORY_MB, TIME_SECONDS)
    is_cut = bool(limit) and frame.height > limit
    shown = frame.head(limit) if is_cut else frame
    if not frame.width:
        note("The statement has no result.")
        return
    text = _written(shown, Format.json if as_json else form)
    # Not typer's echo, which removes what looks like colour codes: a program gets the rows as they are.
    sys.stdout.write(printable(text) if sys.stdout.isatty() else text)
    if is_cut:
        note(f"Only the first {limit} rows; --limit 0 writes all.")


@contextmanager
def _last_resort() -> Iterator[None]:
    """Limit the process itself, because DuckDB neither counts nor interrupts a single value of gigabytes.

    The process may take the memory it has, twice the query's, and a reserve. If the query does not end soon after its
    time, the process ends.
    """
    before = resource.getrlimit(resource.RLIMIT_AS)
    in_use = Path("/proc/self/statm")
    pages = int(in_use.read_text().split()[0]) if in_use.exists() else 0
    most = pages * resource.getpagesize() + 2 * MEMORY_MB * 1_000_000 + _RESERVE_BYTES
    watchdog = threading.Timer(TIME_SECONDS + _GRACE_SECONDS, _give_up)
    watchdog.daemon = True
    if pages and (before[0] == resource.RLIM_INFINITY or before[0] > most):
        resource.setrlimit(resource.RLIMIT_AS, (most, before[1]))
    watchdog.start()
    try:
        yield
    finally:
        watchdog.cancel()
        resource.setrlimit(resource.RLIMIT_AS, before)


def _give_up() -> None:
    note(f"The query did not end within {TIME_SECONDS + _GRACE_SECONDS:g} seconds and was stopped.")
    os._exit(2)


def _written(frame: pl.DataFrame, form: Format) -> str:
    if form is Format.json:
        rows = [_plain(row) for row in frame.iter_rows(named=True)]
        return json.dumps(rows, ensure_ascii=False, indent=1) + "\n"
    if form is Format.csv:
        nested = [name for name, kind in frame.schema.items() if kind.is_nested()]
        if nested:
            from pipelines.errors import UsageError

            raise UsageError(f"CSV can't hold lists or structs: {', '.join(nested)}", next_step="give --format json")
        return frame.write_csv()
    numbers = [position for position, kind in enumerate(frame.dtypes) if kind.is_numeric()]
    cells = [["" if value is None else value for value in row] for row in frame.iter_rows()]
    return text_table(frame.columns, cells, numbers) + "\n"


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    def plain(value: Any) -> Any:
        if isinstance(value, list):
            return [plain(item) for item in value]
        if isinstance(value, dict):
            return {name: plain(item) for name, item in value.items()}
        # JSON has no infinity and no "not a number".
        if isinstance(value, float) and value - value != 0:
            return None
        return value if value is None or isinstance(value, bool | int | float) else str(value)

    return {name: plain(value) for name, value in row.items()}
