"""``kitfare query``: ask the published tables with SQL."""

from __future__ import annotations

import json
import sys
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.common import WorkspaceOption, note, open_workspace, printable, published_database, text_table

if TYPE_CHECKING:
    import polars as pl


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

    Nothing can be changed, and no other file can be read. `kitfare dictionary` explains the tables. In JSON, exact numbers are text, so that no reader rounds them.

    \b
    Examples:
      kitfare query "select * from model_cost"
      kitfare query "select vendor_code, count(*) from price_history group by 1"
      kitfare query "from price_index" --format csv --limit 0 > index.csv
    """
    database = published_database(open_workspace(workspace))

    from pipelines.warehouse.query import run_query

    frame = run_query(database, sql, max_rows=limit + 1 if limit else None)
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
