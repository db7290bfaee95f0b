"""``kitfare query`` and ``status`` on a small published generation: what is written can be read back as it was."""

import csv
import io
import json
import subprocess
import sys
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace
from schemas.published.intake import INTAKE_FILE, QUARANTINED_ROW, VENDOR_EXPORT
from schemas.published.runs import REFRESH_RUN
from schemas.validate import empty_frame

AWKWARD = 'North, "the\nfirst" \x1b[2J =1+1'


def rows_of(contract: Any, *rows: Any) -> Any:
    """Typed rows; what a row leaves out gets a plain value of its kind."""
    plain = {pl.String(): "x", pl.Int64(): 1, pl.Float64(): 0.5, pl.Boolean(): False}
    schema = empty_frame(contract).schema
    full = [{name: row.get(name, plain.get(kind)) for name, kind in schema.items()} for row in rows]
    return pl.DataFrame(full, schema=schema)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("space")
    (folder / "kitfare.toml").touch()
    (folder / "inbox").mkdir()
    (folder / "inbox" / "new.csv").touch()
    (folder / "generations").mkdir()
    vendors = pl.DataFrame(
        {
            "vendor_code": ["00501", "south"],
            "vendor_name": [AWKWARD, "South"],
            "vendor_kind": ["independent", "maker"],
            "vendor_region_code": ["home", "home"],
            "currency_code": ["EUR", "PLN"],
        }
    )
    waiting = {"file_hash": "f" * 64, "vendor_code": "north", "observed_on": datetime(2026, 10, 31).date()}
    file = {
        "file_hash": "f" * 64,
        "file_name": "north.csv",
        "received_at": datetime(2026, 11, 1, 1),
        "file_status": "waiting",
    }
    quarantined = [
        {
            "file_name": "bad.csv",
            "file_hash": "a",
            "record_number": 3,
            "quarantined_column": "unit_price",
            "quarantined_rule": "must be more",
        },
        {
            "file_name": "bad.csv",
            "file_hash": "a",
            "record_number": 3,
            "quarantined_column": "condition",
            "quarantined_rule": "must be one",
        },
        {
            "file_name": "bad.csv",
            "file_hash": "a",
            "record_number": 4,
            "quarantined_column": "condition",
            "quarantined_rule": "must be one",
        },
        {
            "file_name": "letter.doc",
            "file_hash": "c",
            "record_number": 0,
            "quarantined_column": "",
            "quarantined_rule": "not read",
        },
        {
            "file_name": "old.csv",
            "file_hash": "b",
            "record_number": 1,
            "quarantined_column": "condition",
            "is_corrected": True,
        },
    ]
    run = {"refresh_id": "g1", "priced_on": datetime(2026, 10, 31).date(), "started_at": datetime(2026, 11, 1, 1, 30)}
    tables = {
        "vendors": vendors,
        "vendor_export": rows_of(VENDOR_EXPORT, waiting | {"coverage": "full", "export_standing": "waiting"}),
        "intake_file": rows_of(INTAKE_FILE, file),
        "quarantined_row": rows_of(QUARANTINED_ROW, *quarantined),
        "refresh_run": rows_of(REFRESH_RUN, run),
    }
    generation.build(folder / "generations" / "g1", tables)
    generation.publish(Workspace(folder), folder / "generations" / "g1", 3)
    return folder


@pytest.fixture
def query(root: Any) -> Any:
    return lambda *arguments: CliRunner().invoke(app, ["query", *arguments, "--workspace", str(root)])


def test_as_csv_rows_come_back(query: Any) -> None:
    result = query("select vendor_code, vendor_name from vendors order by 1", "--format", "csv")
    assert result.exit_code == 0, result.output
    assert list(csv.reader(io.StringIO(result.stdout))) == [
        ["vendor_code", "vendor_name"], ["00501", AWKWARD], ["south", "South"],
    ]  # fmt: skip


def test_as_json_rows_come_back(query: Any) -> None:
    sql = (
        "select vendor_code, vendor_name, 1.10::decimal(9,2) as cost, null as n, true as t, 7 as i, 0.5::double as d, "
    )
    sql += "'nan'::double as nan, date '2026-10-31' as day, [1.5::decimal(3,1)] as list, {'a': 1} as struct from vendors limit 1"
    [row] = json.loads(query(sql, "--format", "json").stdout)
    assert row == {
        "vendor_code": "00501", "vendor_name": AWKWARD, "cost": "1.10", "n": None, "t": True, "i": 7, "d": 0.5, "nan": None,
        "day": "2026-10-31", "list": ["1.5"], "struct": {"a": 1},
    }  # fmt: skip
    assert Decimal(row["cost"]) == Decimal("1.10")


def test_as_a_table_a_row_is_a_line_and_numbers_stand_right(query: Any) -> None:
    result = query("select vendor_name, 5 as n from vendors order by vendor_code")
    lines = result.stdout.splitlines()
    assert len(lines) == 4 and "\x1b" not in result.stdout
    assert lines[0].endswith("  n") and lines[2].endswith("  5")


def test_no_rows_still_show_their_columns(query: Any) -> None:
    assert query("select vendor_code from vendors where false", "--format", "csv").stdout == "vendor_code\n"
    assert json.loads(query("select vendor_code from vendors where false", "--format", "json").stdout) == []
    assert query("select vendor_code from vendors where false").stdout.startswith("vendor_code\n---")


@pytest.mark.parametrize(
    ("limit", "count", "is_cut"), [("2", 2, True), ("3", 3, False), ("0", 3, False), ("9", 3, False)]
)
def test_the_limit_is_kept_and_reported(limit: str, count: int, is_cut: bool, query: Any) -> None:
    result = query("select * from range(3)", "--format", "csv", "--limit", limit)
    assert len(result.stdout.splitlines()) == 1 + count
    assert ("Only the first" in result.stderr) is is_cut


@pytest.mark.parametrize(
    "sql",
    [
        "selec 1",
        "from nowhere",
        "delete from vendors",
        "create table t as select 1",
        "select * from read_csv('/etc/passwd')",
        "copy vendors to 'out.csv'",
        "attach 'other.db'",
        "set enable_external_access = true",
    ],
)
def test_statements_that_are_not_allowed_are_refused(
    sql: str, query: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = query(sql)
    assert result.exit_code == 2 and not result.stdout
    assert "the query cannot be answered" in result.stderr
    assert not list(tmp_path.iterdir())


def test_lists_do_not_go_into_csv(query: Any) -> None:
    result = query("select [1, 2] as pair", "--format", "csv")
    assert result.exit_code == 2 and "pair" in result.stderr and "--format json" in result.stderr


@pytest.mark.parametrize("sql", ["", ";"])
def test_a_statement_without_a_result_is_reported(sql: str, query: Any) -> None:
    result = query(sql)
    assert result.exit_code == 0 and not result.stdout and "no result" in result.stderr


def test_before_the_first_refresh_the_next_step_is_named(tmp_path: Path) -> None:
    (tmp_path / "kitfare.toml").touch()
    for command in (["query", "select 1"], ["report", "--month", "2026-10"]):
        result = CliRunner().invoke(app, [*command, "--workspace", str(tmp_path)])
        assert result.exit_code == 2
        assert "nothing is published" in result.stderr and "kitfare refresh" in result.stderr


def test_status_lists_what_waits(root: Any) -> None:
    text = CliRunner().invoke(app, ["status", "--workspace", str(root)]).stdout
    assert "Published: g1\n  prices of 2026-10-31, refreshed at 2026-11-01 01:30 UTC" in text
    assert "Quarantined rows: 2\n" in text and "bad.csv.a.quarantined.csv" in text and "condition: must be one" in text
    assert "Files quarantined whole: 1\n" in text and "letter.doc" in text and "not read" in text
    assert "old.csv" not in text
    assert "wait for a decision: 1\n" in text and "ffffffffffff" in text and "kitfare accept" in text
    assert "Inbox: 1 file for" in text
    assert "Prefect server: not running" in text


def test_status_counts_files_still_being_written_apart(tmp_path: Path) -> None:
    CliRunner().invoke(app, ["init", str(tmp_path / "new")])
    inbox = tmp_path / "new" / "inbox"
    for name in (".hidden.csv", "north.csv.part", "south.csv.tmp", "west.csv~"):
        (inbox / name).touch()
    status = ["status", "--workspace", str(tmp_path / "new")]
    waiting = "Inbox: 0 files for the next `kitfare refresh`; 3 files still being written, by the name"
    assert waiting in CliRunner().invoke(app, status).stdout.splitlines()
    (inbox / "north.csv.part").rename(inbox / "north.csv")
    waiting = "Inbox: 1 file for the next `kitfare refresh`; 2 files still being written, by the name"
    assert waiting in CliRunner().invoke(app, status).stdout.splitlines()


def test_status_of_a_new_workspace(tmp_path: Path) -> None:
    CliRunner().invoke(app, ["init", str(tmp_path / "new")])
    result = CliRunner().invoke(app, ["status", "--workspace", str(tmp_path / "new")])
    assert result.exit_code == 0 and "Published: nothing yet" in result.stdout


def test_status_does_not_ask_again_for_what_was_accepted(root: Any) -> None:
    (root / "tables").mkdir()
    (root / "tables" / "accepted_exports.csv").write_text(f"file_hash,decided_on,reason\n{'f' * 64},2026-11-01,\n")
    try:
        text = CliRunner().invoke(app, ["status", "--workspace", str(root)]).stdout
        assert "wait for a decision: 0\n" in text
    finally:
        (root / "tables" / "accepted_exports.csv").unlink()


def test_one_value_of_gigabytes_is_refused_by_the_system_and_a_query_that_never_ends_is_stopped(root: Any) -> None:
    """Neither is seen by the database's own limits. In processes of their own, because they end them."""
    kitfare = [
        sys.executable,
        "-c",
        "from pipelines.cli.ask import query; from pipelines.cli import main; query.TIME_SECONDS, query._GRACE_SECONDS = {}; main.app()",
    ]
    cases = {
        "select length(repeat('x', 4200000000))": ("60, 9", "Out of Memory"),
        "select length(repeat('x', 1900000000) || repeat('x', 1900000000))": ("0.05, 0.05", "was stopped"),
    }
    for sql, (limits, message) in cases.items():
        command = [*kitfare[:2], kitfare[2].format(limits), "query", sql, "--workspace", str(root)]
        result = subprocess.run(command, capture_output=True, text=True, timeout=120)
        assert result.returncode == 2 and message in result.stderr, result
