"""The connection factory: migrations, limits, and a lock that says what to do."""

import copy
import errno
import subprocess
import sys
import textwrap
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines import resources
from pipelines.errors import BusyError, KitfareError, UsageError
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, tables
from tests.builders.taken_files import NOW, taken
from tests.present import present

HOLD = textwrap.dedent("""
    import sys
    from pathlib import Path
    from pipelines.warehouse import connect
    with connect.{kind}(Path(sys.argv[1])) as con:
        print("open", flush=True)
        sys.stdin.read()
""")


@pytest.fixture
def path(tmp_path: Path) -> Any:
    return tmp_path / "warehouse.duckdb"


def kept_open(path: Any, kind: Any) -> Any:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD.format(kind=kind), str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert present(process.stdout).readline() == "open\n"
    return process


def test_a_new_warehouse_records_its_migrations_once(path: Any) -> None:
    names = sorted(name for _, name in connect._migration_files())
    for _ in range(2):
        with connect.writer(path) as con:
            done = con.execute("select number, file_name from schema_migration order by number").fetchall()
    assert [name for _, name in done] == names
    assert [number for number, _ in done] == list(range(1, len(names) + 1))


def test_a_failing_migration_changes_nothing(path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    files = [*connect._migration_files(), (99, "099_bad.sql")]
    texts = {"migrations/099_bad.sql": "create table half (i integer); insert into half values ('no number')"}
    real = resources.sql_text
    monkeypatch.setattr(connect, "_migration_files", lambda: files)
    monkeypatch.setattr(connect, "sql_text", lambda name: texts[name] if name in texts else real(name))
    with pytest.raises(Exception, match="no number"), connect.writer(path):
        pass
    monkeypatch.undo()
    with connect.writer(path) as con:
        found = con.execute("select table_name from duckdb_tables() where table_name = 'half'").fetchall()
        assert found == []


def test_a_new_warehouse_has_all_its_tables_or_is_not_there(path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(_con: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(connect, "migrate", stopped)
        with pytest.raises(KeyboardInterrupt), connect.writer(path):
            pass
        assert not path.exists()
    with connect.writer(path) as con:
        assert con.execute("select count(*) from received_file").fetchall() == [(0,)]
    assert [found.name for found in path.parent.iterdir()] == [path.name]


def test_a_warehouse_of_a_newer_version_is_refused(path: Any) -> None:
    with connect.writer(path) as con:
        con.execute("insert into schema_migration values (999, '999_future.sql')")
    before = path.read_bytes()
    with pytest.raises(KitfareError, match="newer version") as refused, connect.writer(path):
        pass
    assert "layout 999" in str(refused.value) and path.read_bytes() == before


def test_every_connection_states_its_limits(path: Any) -> None:
    with connect.writer(path) as con:
        found = dict(con.execute("select name, value from duckdb_settings()").fetchall())
        assert found["memory_limit"] == "1.8 GiB"
        assert found["temp_directory"] == str(path) + ".spill"
        assert int(found["threads"]) <= 4
        assert found["python_enable_replacements"] == "false"


def test_the_spill_folder_is_gone_afterwards(path: Any) -> None:
    spill = path.with_name(path.name + ".spill")
    spill.mkdir()
    (spill / "left over").write_text("by a killed run")
    with connect.writer(path):
        pass
    assert not spill.exists()


def test_python_variables_are_not_tables(path: Any) -> None:
    import polars as pl

    frame = pl.DataFrame({"a": [1]})
    with connect.writer(path) as con, pytest.raises(Exception, match="frame does not exist"):
        con.execute("select * from frame")
    assert frame.height == 1


@pytest.mark.parametrize(
    ("holder", "needed"), [("writer", connect.writer), ("writer", connect.reader), ("reader", connect.writer)]
)
def test_a_lock_in_use_says_what_to_do(path: Any, holder: str, needed: Any) -> None:
    with connect.writer(path):
        pass
    process = kept_open(path, holder)
    try:
        with pytest.raises(BusyError) as caught, needed(path):
            pass
        assert str(path) in caught.value.where
        assert "wait until the refresh has ended" in caught.value.next_step
        assert caught.value.exit_code == 4
    finally:
        process.communicate("")
    with needed(path):
        pass


def test_two_readers_at_once(path: Any) -> None:
    with connect.writer(path):
        pass
    process = kept_open(path, "reader")
    try:
        with connect.reader(path) as con:
            assert con.execute("select count(*) from price_history").fetchall() == [(0,)]
    finally:
        process.communicate("")


def test_reading_while_writing_in_one_process_is_busy_too(path: Any) -> None:
    with connect.writer(path), pytest.raises(BusyError), connect.reader(path):
        pass


def test_a_reader_cannot_write(path: Any) -> None:
    with connect.writer(path):
        pass
    with connect.reader(path) as con, pytest.raises(Exception, match="read-only"):
        con.execute("delete from price_period")


def test_no_warehouse_yet(path: Any) -> None:
    with pytest.raises(UsageError, match="no warehouse.duckdb yet"), connect.reader(path):
        pass


@pytest.mark.parametrize("opener", [connect.reader, connect.writer])
def test_a_file_that_is_no_database(path: Any, opener: Any) -> None:
    path.write_bytes(b"not a database " * 1000)
    with pytest.raises(KitfareError, match="cannot be opened as a database") as caught, opener(path):
        pass
    assert caught.value.next_step
    assert path.read_bytes().startswith(b"not a database")


DISK_TROUBLE = {
    "no space, no file named": OSError(errno.ENOSPC, "No space left on device"),
    "no space, of Polars": pl.exceptions.ComputeError(
        "parquet: underlying IO error: No space left on device (os error 28)"
    ),
    "no space, in the folder": OSError(errno.ENOSPC, "No space left on device", "{path}/pages/a.html"),
    "read-only": OSError(errno.EROFS, "Read-only file system", "{path}"),
    "not permitted": PermissionError(errno.EACCES, "Permission denied", "{path}/a.csv"),
    "of DuckDB": duckdb.IOException('IO Error: Could not write file "{path}/kitfare.duckdb.wal": File too large'),
}
OTHER_TROUBLE = {
    "another file is missing": FileNotFoundError(errno.ENOENT, "No such file or directory", "/elsewhere/terms.csv"),
    "another file is missing, of Polars": FileNotFoundError(
        "No such file or directory (os error 2): /elsewhere/a.parquet"
    ),
    "a table of Polars is missing": pl.exceptions.ComputeError(
        "No such file or directory (os error 2): /elsewhere/a.parquet"
    ),
    "another file may not be read": PermissionError(errno.EACCES, "Permission denied", "/elsewhere/prices.csv"),
    "another disk is full": OSError(errno.ENOSPC, "No space left on device", "/elsewhere/a"),
    "a name that begins alike": PermissionError(errno.EACCES, "Permission denied", "{path}-old/a.csv"),
    "another database": duckdb.IOException('IO Error: Could not write file "/elsewhere/a.duckdb": File too large'),
    "another process is not ours": PermissionError(errno.EPERM, "Operation not permitted"),
}


def about(error: Any, path: Path) -> Any:
    """The error, about the path."""
    error = copy.copy(error)
    error.args = tuple(each.replace("{path}", str(path)) if isinstance(each, str) else each for each in error.args)
    if getattr(error, "filename", None):
        error.filename = error.filename.replace("{path}", str(path))
    return error


@pytest.mark.parametrize("trouble", DISK_TROUBLE)
def test_trouble_with_the_disk_that_is_written_is_put_in_words(trouble: str, tmp_path: Path) -> None:
    with pytest.raises(KitfareError, match="check the free space") as caught, connect.disk_trouble_in_words(tmp_path):
        raise about(DISK_TROUBLE[trouble], tmp_path)
    assert caught.value.what.startswith(f"{tmp_path.name} cannot be written: ") and str(tmp_path) in caught.value.where


@pytest.mark.parametrize("trouble", OTHER_TROUBLE)
def test_trouble_with_anything_else_is_left_as_it_is(trouble: str, tmp_path: Path) -> None:
    error = about(OTHER_TROUBLE[trouble], tmp_path)
    with pytest.raises(type(error)) as caught, connect.disk_trouble_in_words(tmp_path):
        raise error
    assert caught.value is error


def test_a_full_disk_that_names_no_file_is_not_the_warehouses(path: Path) -> None:
    """While the warehouse is open, Python writes the archive and the quarantine; DuckDB names the file it writes."""
    with pytest.raises(OSError, match="No space left"), connect.writer(path):
        raise OSError(errno.ENOSPC, "No space left on device")
    with pytest.raises(KitfareError, match=r"warehouse.duckdb cannot be written"), connect.writer(path):
        raise duckdb.IOException(f'IO Error: Could not write file "{path}.wal": No space left on device')


def test_a_transaction_is_all_or_nothing(con: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(KeyboardInterrupt), connect.transaction(con):
        con.execute("insert into accepted_export values ('a')")
        raise KeyboardInterrupt
    assert con.execute("select count(*) from accepted_export").fetchall() == [(0,)]
    with connect.transaction(con):
        con.execute("insert into accepted_export values ('a')")
    assert con.execute("select count(*) from accepted_export").fetchall() == [(1,)]


def test_an_older_warehouse_is_taken_along(path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    every = connect._migration_files()
    old = [(number, name) for number, name in every if number < 5]
    monkeypatch.setattr(connect, "_migration_files", lambda: old)
    con = connect.open_database(path, read_only=False, spill=None)
    connect.migrate(con)
    files = [
        taken("a", [{}, {"part_code": "2"}]),
        taken("b", [{"observed_on": date(2026, 1, 11), "part_code": part} for part in ("00501", "9")]),
    ]
    for file in files:
        con.execute(
            "insert into received_file values (?, ?, 'price_export', '', ?, false, 2, 0, 0, 0)",
            [file.file_hash, file.file_name, NOW],
        )
        rows = file.rows.with_columns(pl.lit(file.file_hash).alias("file_hash"))
        connect.insert_frame(con, "price_observation", rows)
    con.execute("delete from file_to_fold")
    con.close()
    monkeypatch.setattr(connect, "_migration_files", lambda: every)
    with connect.writer(path) as con, connect.writer(Path(":memory:")) as new:
        assert history.is_pending(con)
        for file in files:
            load.load_file(new, file, NOW)
        for each in (con, new):
            history.fold(each)
        ours, theirs = tables.intake_tables(con), tables.intake_tables(new)
        assert ours["price_history"].height == 3
        for name in ours:
            assert ours[name].equals(theirs[name]), name
        assert (
            con.execute("from price_observation order by all").fetchall()
            == new.execute("from price_observation order by all").fetchall()
        )
        # What comes next and says something new is numbered after what was there.
        load.load_file(con, taken("c", [{"observed_on": date(2026, 1, 12), "part_code": "new"}]), NOW)
        assert con.execute("select count(*), count(distinct stored_number) from stored_observation").fetchall() == [
            (5, 5)
        ]


def test_references_of_an_older_warehouse_keep_their_rows(path: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    every = connect._migration_files()
    monkeypatch.setattr(connect, "_migration_files", lambda: every[:5])
    con = connect.open_database(path, read_only=False, spill=None)
    connect.migrate(con)
    files = [taken(name, [{"observed_on": date(2026, 1, 10 + day)}]) for day, name in enumerate("abc")]
    for number, file in enumerate(files, 1):
        con.execute(
            "insert into received_file values (?, ?, 'price_export', '', ?, false, 1, 0, 0, 0)",
            [file.file_hash, file.file_name, NOW],
        )
        rows = file.rows.with_columns(pl.lit(file.file_hash).alias("file_hash"), stored_number=pl.lit(number))
        if number != 2:
            connect.insert_frame(con, "observed_row" if number == 1 else "fresh_row", rows)
    con.execute("insert into repeated_row values ('b', 1, 1, 'acorn', '2026-01-11', 'full', 0, 1)")
    con.execute("insert into file_to_fold values ('a'), ('b'), ('c')")
    before = con.execute("from price_observation order by all").fetchall()
    con.close()
    monkeypatch.undo()
    with connect.writer(path) as con, connect.writer(Path(":memory:")) as new:
        assert con.execute("from price_observation order by all").fetchall() == before and len(before) == 3
        assert con.execute("select file_hash from file_to_fold where is_new").fetchall() == [("c",)]
        for file in files:
            load.load_file(new, file, NOW)
        for each in (con, new):
            history.fold(each)
        ours, theirs = tables.intake_tables(con), tables.intake_tables(new)
        for name in ours:
            assert ours[name].equals(theirs[name]), name
