"""A warehouse of every layout there has been is brought up to date, and is then what a new one with the same files would be."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, tables
from tests.builders.taken_files import NOW, taken

EVERY = connect._migration_files()
ROWS_WHOLE, REFERENCES_AT_FOLD = 4, 5
"""Up to the first, every row was kept whole; in the second, a file waited in a table of its own for the fold to refer to earlier rows."""


def files() -> list[Any]:
    """Exports of one vendor: an offer that goes on, one that changes its price, one that ends and one that comes."""
    days: list[list[dict[str, Any]]] = [
        [{}, {"part_code": "2"}, {"part_code": "3"}],
        [{}, {"part_code": "2", "unit_price": Decimal("0.75")}],
        [{}, {"part_code": "2", "unit_price": Decimal("0.75")}, {"part_code": "9"}],
    ]
    return [
        taken(name, [{"observed_on": date(2026, 1, 10 + day), **row} for row in rows])
        for day, (name, rows) in enumerate(zip("abc", days, strict=True))
    ]


def fill(con: connect.Connection, layout: int, file: Any) -> None:
    """Write a file as the kitfare of a layout did."""
    if layout > REFERENCES_AT_FOLD:
        load.load_file(con, file, NOW)
        return
    con.execute(
        "insert into received_file values (?, ?, 'price_export', '', ?, false, ?, 0, 0, 0)",
        [file.file_hash, file.file_name, NOW, file.rows.height],
    )
    rows = file.rows.with_columns(pl.lit(file.file_hash).alias("file_hash"))
    if layout <= ROWS_WHOLE:
        connect.insert_frame(con, "price_observation", rows)
    else:
        ((last,),) = con.execute("select coalesce(max(stored_number), 0) from fresh_row").fetchall()
        connect.insert_frame(con, "fresh_row", rows.with_row_index("stored_number", last + 1))
    con.execute("insert into file_to_fold values (?)", [file.file_hash])


@pytest.mark.parametrize("layout", [number for number, _ in EVERY])
def test_every_layout_is_brought_up_to_date(layout: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "warehouse.duckdb"
    monkeypatch.setattr(connect, "_migration_files", lambda: EVERY[:layout])
    con = connect.open_database(path, read_only=False, spill=None)
    connect.migrate(con)
    connect.install_macros(con, [] if layout <= REFERENCES_AT_FOLD else ["offer_id"])
    for file in files():
        fill(con, layout, file)
    assert connect.layout_of(con) == layout
    con.close()
    monkeypatch.undo()
    with connect.writer(path) as con, connect.writer(Path(":memory:")) as new:
        assert connect.layout_of(con) == connect.newest_layout() == len(EVERY)
        for file in files():
            load.load_file(new, file, NOW)
        for each in (con, new):
            history.fold(each)
        ours, theirs = tables.intake_tables(con), tables.intake_tables(new)
        assert ours["price_history"].height == 5
        assert [name for name in ours if not ours[name].equals(theirs[name])] == []


def test_numbers_of_layouts_leave_no_gap() -> None:
    assert [number for number, _ in EVERY] == list(range(1, len(EVERY) + 1))
