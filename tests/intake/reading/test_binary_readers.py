"""Spreadsheets and Parquet files as text."""

import datetime as dt
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.errors import UnreadableFileError
from pipelines.intake.reading.readers import ReadOptions, open_source, read_as_text
from pipelines.intake.reading.spreadsheet_rows import cell_text
from tests.builders.files import cells, write_ods, write_xlsx

ROWS = [
    ["Prices of spring", None, None, None],
    [None, None, None, None],
    ["code", "price", "n", "day"],
    ["00501", 0.1 + 0.2, 5.0, dt.date(2026, 10, 31)],
    [501, 0.045, 12000000, dt.date(2026, 1, 2)],
    [None, None, None, None],
    ["x", None, 0.0000001, None],
]
EXPECTED = [
    (4, 1, "00501", "0.3", "5", "2026-10-31"),
    (5, 2, "501", "0.045", "12000000", "2026-01-02"),
    (7, 3, "x", "", "0.0000001", ""),
]


def test_xlsx(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", {"Notes": [["hello"]], "Prices": ROWS})
    table = read_as_text(path, ReadOptions(sheet="Prices", header_line=3))
    assert table.frame.rows() == EXPECTED and table.kind == "spreadsheet" and table.header_line == 3
    assert read_as_text(path).header == ("hello",), "the first sheet by default"
    with pytest.raises(UnreadableFileError, match="no sheet called 'prices'") as caught:
        read_as_text(path, ReadOptions(sheet="prices"))
    assert "Notes, Prices" in caught.value.next_step
    with pytest.raises(UnreadableFileError, match="no row 50"):
        read_as_text(path, ReadOptions(header_line=50))


def test_ods(tmp_path: Path) -> None:
    path = write_ods(tmp_path / "a.ods", "Prices", ROWS)
    assert read_as_text(path, ReadOptions(header_line=3)).frame.rows() == EXPECTED


def test_a_table_that_starts_away_from_the_corner_keeps_its_row_numbers(tmp_path: Path) -> None:
    path = write_xlsx(tmp_path / "a.xlsx", {"P": [[], [], [None, "a", "b"], [None, "1", "2"]]})
    table = read_as_text(path)
    assert table.header == ("(column 1)", "a", "b") and table.header_line == 3
    assert table.frame["source_line_number"].to_list() == [4]
    assert cells(table.frame) == [("", "1", "2")]


def test_the_first_visible_sheet_is_the_default(tmp_path: Path) -> None:
    import xlsxwriter

    book = xlsxwriter.Workbook(str(tmp_path / "a.xlsx"))
    hidden, shown = book.add_worksheet("Hidden"), book.add_worksheet("Shown")
    hidden.write_string(0, 0, "secret")
    shown.write_string(0, 0, "open")
    shown.activate()
    hidden.hide()
    book.close()
    assert read_as_text(tmp_path / "a.xlsx").header == ("open",)


def test_cells_beyond_the_header_are_problems(tmp_path: Path) -> None:
    table = read_as_text(write_xlsx(tmp_path / "a.xlsx", {"P": [["a"], ["1", "stray"], ["2"]]}))
    assert table.header == ("a", "(column 2)"), "a spreadsheet's rows all have the width of the widest"
    assert cells(table.frame) == [("1", "stray"), ("2", "")]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (5.0, "5"), (-0.5, "-0.5"), (0.1 + 0.2, "0.3"), (1e20, "100000000000000000000"), (1e-7, "0.0000001"),
        (123456789.123, "123456789.123"), (12345678901234567, "12345678901234567"), (True, "true"), (False, "false"),
        ("00501", "00501"), ("", ""), (dt.date(2026, 1, 2), "2026-01-02"), (dt.datetime(2026, 1, 2), "2026-01-02"),
        (dt.datetime(2026, 1, 2, 3, 4, 5), "2026-01-02T03:04:05"), (dt.time(3, 4), "03:04:00"),
        (dt.timedelta(hours=1), "1:00:00"), (float("nan"), "nan"), (float("inf"), "inf"),
    ],
)  # fmt: skip
def test_cells_as_text(value: Any, text: str) -> None:
    assert cell_text(value) == text


def test_parquet(tmp_path: Path) -> None:
    pl.DataFrame(
        {
            "code": ["00501", None, "x"],
            "n": pl.Series([5.0, None, 0.1], dtype=pl.Float64),
            "i": pl.Series([7, None, 9], dtype=pl.Int32),
            "money": pl.Series([Decimal("0.450000"), None, Decimal("1.5")], dtype=pl.Decimal(18, 6)),
            "day": [dt.date(2026, 10, 31), None, dt.date(2026, 11, 1)],
            "at": [dt.datetime(2026, 10, 31), None, dt.datetime(2026, 10, 31, 2, 30)],
            "flag": [True, None, False],
            "kind": pl.Series(["a", None, "b"], dtype=pl.Categorical),
        }
    ).write_parquet(tmp_path / "a.parquet")
    table = read_as_text(tmp_path / "a.parquet")
    assert table.frame.rows() == [
        (1, 1, "00501", "5", "7", "0.450000", "2026-10-31", "2026-10-31", "true", "a"),
        (3, 2, "x", "0.1", "9", "1.500000", "2026-11-01", "2026-10-31T02:30:00.000000", "false", "b"),
    ]


@pytest.mark.parametrize("values", [[[1, 2]], [{"a": 1}], [b"bytes"]])
def test_parquet_columns_of_more_than_one_value_are_refused(tmp_path: Path, values: list[Any]) -> None:
    pl.DataFrame({"x": values}).write_parquet(tmp_path / "a.parquet")
    with pytest.raises(UnreadableFileError, match="column x holds"):
        read_as_text(tmp_path / "a.parquet")


def test_a_parquet_file_without_rows(tmp_path: Path) -> None:
    pl.DataFrame({"a": [], "b": []}, schema={"a": pl.String, "b": pl.Float64}).write_parquet(tmp_path / "a.parquet")
    table = open_source(tmp_path / "a.parquet").read(ReadOptions())
    assert table.header == ("a", "b") and table.frame.height == 0
