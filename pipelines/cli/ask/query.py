"""``kitfare query``: ask the published tables with SQL."""

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
_LEEWAY_BYTES = 2 << 30


class Format(StrEnum):
    """How rows are written."""

    table = "table"
    csv = "csv"
    json = "json"


def run(
    sql: Annotated[str, typer.Argument(metavar="SQL", help="One statement that reads.")],
    form: Annotated[Format, typer.Option("--format", help="How rows are written.")] = Format.table,
    limit: Annotated[int, typer.Option(min=0, help="Most rows to write; 0 for all.")] = 1000,
    workspace: WorkspaceOption = None,
) -> None:
    """Ask the published tables with SQL.

    Nothing can be changed, and no other file can be read. A query may take 1 GB and a minute. `kitfare dictionary` explains the tables. In JSON, exact numbers are text, so that no reader rounds them.

    \b
    Examples:
      kitfare query "select * from model_cost"
      kitfare query "select vendor_code, count(*) from price_history group by 1"
      kitfare query "from price_index" --format csv --limit 0 > index.csv
    """
    database = published_database(open_workspace(workspace))

    from pipelines.warehouse.query import run_query

    with _last_resort():
        frame = run_query(database, sql, limit + 1 if limit else None, MEMORY_MB, TIME_SECONDS)
    is_cut = bool(limit) and frame.height > limit
    shown = frame.head(limit) if is_cut else frame
    if not frame.width:
        note("The statement has no result.")
        return
    text = _written(shown, form)
    # Not typer's echo, which takes out what it holds for colours: a program gets the rows as they are.
    sys.stdout.write(printable(text) if sys.stdout.isatty() else text)
    if is_cut:
        note(f"Only the first {limit} rows; --limit 0 writes all.")


@contextmanager
def _last_resort() -> Iterator[None]:
    """A single value of gigabytes is beyond the database's own limits: it is neither counted nor interrupted.

    So the system limits the process to the memory it has, twice the query's, and some leeway; and a query that does not end soon
    after its time takes the process with it.
    """
    before = resource.getrlimit(resource.RLIMIT_AS)
    in_use = Path("/proc/self/statm")
    pages = int(in_use.read_text().split()[0]) if in_use.exists() else 0
    most = pages * resource.getpagesize() + 2 * MEMORY_MB * 1_000_000 + _LEEWAY_BYTES
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
    note(f"The query did not end within {TIME_SECONDS + _GRACE_SECONDS:g} seconds, and was given up.")
    os._exit(2)


def _written(frame: pl.DataFrame, form: Format) -> str:
    if form is Format.json:
        rows = [_plain(row) for row in frame.iter_rows(named=True)]
        return json.dumps(rows, ensure_ascii=False, indent=1) + "\n"
    if form is Format.csv:
        nested = [name for name, kind in frame.schema.items() if kind.is_nested()]
        if nested:
            from pipelines.errors import UsageError

            raise UsageError(f"CSV has no lists or structs: {', '.join(nested)}", next_step="give --format json")
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
        # JSON has no word for infinity or "not a number".
        if isinstance(value, float) and value - value != 0:
            return None
        return value if value is None or isinstance(value, bool | int | float) else str(value)

    return {name: plain(value) for name, value in row.items()}
