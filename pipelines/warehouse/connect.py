"""The one factory of DuckDB connections. One writer at a time, short transactions; readers open read-only.

Every connection states its memory, threads and spill folder: the defaults would take four fifths of the machine, and
an in-memory database would spill into the working directory.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipelines.errors import BusyError, KitfareError, UsageError
from pipelines.resources import resource_folder, sql_text, sql_texts

Connection = duckdb.DuckDBPyConnection


class NewerLayoutError(KitfareError):
    """A newer kitfare made the warehouse."""


DATABASE_ERRORS = (duckdb.Error, KitfareError)
"""What opening or reading a damaged database raises."""

_DISK_FULL = ("No space left", "File too large", "Read-only file system", "quota exceeded", "Input/output error")
_DENIED = ("Permission denied", "Operation not permitted", "ould not write", "ould not create")

MEMORY_LIMIT = "2GB"
PUBLISHED_MACROS = (
    "last_confirmed_by", "earlier_run", "as_known_on", "market_on", "last_seen_prices", "element_source",
)  # fmt: skip
"""Macros that work on published tables alone; in the order in which they need each other."""
MACROS = (
    "offer_id", "last_confirmed_by", "earlier_run_in_warehouse", "as_known_on", "market_on", "last_seen_prices",
    "summary_prices", "intake_file", "quarantined_row",
)  # fmt: skip


@contextmanager
def writer(path: Path) -> Iterator[Connection]:
    """Open the warehouse for writing; make it, or bring its tables up to date, first.

    Raises:
        BusyError: another process has it open.
        KitfareError: the file is no warehouse, or one of a newer kitfare, or the disk does not take what is written.
    """
    spill = path.with_name(path.name + ".spill")
    with disk_trouble_in_words(path):
        if str(path) != ":memory:" and not path.exists():
            _make(path)
        con = open_database(path, read_only=False, spill=spill)
        try:
            migrate(con)
            install_macros(con, MACROS)
            yield con
        finally:
            con.close()
            shutil.rmtree(spill, ignore_errors=True)


def _make(path: Path) -> None:
    """A warehouse with all its tables, or none: readers never meet one that a kill left half made."""
    making = path.with_name(path.name + ".making")
    for leftover in (making, making.with_name(making.name + ".wal")):
        leftover.unlink(missing_ok=True)
    con = open_database(making, read_only=False, spill=None)
    try:
        migrate(con)
    finally:
        con.close()
    making.rename(path)


def is_made(con: Connection) -> bool:
    """Whether a warehouse has its tables; one that a kill left half made, before they came all at once, has none."""
    found = con.execute("select count(*) from duckdb_tables() where table_name = 'received_file'").fetchall()
    return bool(found[0][0])


@contextmanager
def disk_trouble_in_words(path: Path) -> Iterator[None]:
    """Raise an error in words for what the system refuses while a database, or a folder to be published, is written.

    All other errors of the body pass as they are, those about other files among them.

    Args:
        path: the database, or the folder that is all the body writes to.

    Raises:
        KitfareError: the disk is full, read-only or broken, or the permissions do not allow it.
    """
    try:
        yield
    except (OSError, duckdb.Error, pl.exceptions.PolarsError) as error:
        if not _is_disk_trouble_at(path, error):
            raise
        raise KitfareError(
            f"{path.name} cannot be written: {str(error).splitlines()[0]}",
            where=str(getattr(error, "filename", None) or path),
            state="what was published stays; what was being written is not used",
            next_step="check the free space and the permissions of the disk, then run the command again",
        ) from error


def _is_disk_trouble_at(path: Path, error: Exception) -> bool:
    """Whether an error is about writing the path, what is in it, or a file beside it such as its log.

    DuckDB always names the file. Python and Polars don't name one when the disk fills up while they write to it; then it is one
    of the folder's, for the body writes nowhere else. A database is not written by them.
    """
    text = str(error)
    is_full = any(words in text for words in _DISK_FULL)
    if not is_full and not any(words in text for words in _DENIED):
        return False
    if getattr(error, "filename", None) is None and not re.search(r"[\"' ]/", text):
        return is_full and path.is_dir()
    return any(re.search(re.escape(str(name)) + r"(?![\w-])", text) for name in {path, path.absolute(), path.resolve()})


@contextmanager
def reader(path: Path) -> Iterator[Connection]:
    """Open a database for reading only.

    Raises:
        BusyError: a process has it open for writing.
        UsageError: there is no such file.
        KitfareError: the file cannot be read as a database.
    """
    if not path.is_file():
        raise UsageError(f"there is no {path.name} yet", where=str(path), next_step="run `kitfare refresh`")
    con = open_database(path, read_only=True, spill=None)
    try:
        yield con
    finally:
        con.close()


def open_database(path: Path, *, read_only: bool, spill: Path | None, **settings: str) -> Connection:
    """Open a DuckDB file with stated limits; ``spill`` None means that nothing may spill to disk.

    Raises:
        BusyError: another process, or another kind of connection in this one, has it open.
        KitfareError: the file cannot be read as a database.
    """
    config: dict[str, Any] = {
        "memory_limit": MEMORY_LIMIT,
        "threads": str(min(4, os.cpu_count() or 1)),
        "temp_directory": str(spill) if spill else "",
        # Frames are handed over by name with register(); a query never finds Python variables by chance.
        "python_enable_replacements": "false",
        **settings,
    }
    try:
        return duckdb.connect(str(path), read_only=read_only, config=config)
    except duckdb.Error as error:
        text = str(error)
        if "Conflicting lock" in text or "Could not set lock" in text or "different configuration" in text:
            raise BusyError(
                f"{path.name} is in use by another process",
                where=str(path),
                state="nothing was changed",
                next_step="wait until the refresh has ended, or end the program that has the file open; "
                "published/private/kitfare.duckdb can be read at any time",
            ) from None
        raise KitfareError(
            f"{path.name} cannot be opened as a database: {text.splitlines()[0]}",
            where=str(path),
            state="nothing was changed",
            next_step="run `kitfare verify`: it names what is damaged and what to do",
        ) from error


def migrate(con: Connection) -> None:
    """Bring the tables up to date: every file of sql/migrations/ not yet recorded runs once, in order of its number.

    Raises:
        NewerLayoutError: the database records a migration that this version does not know.
    """
    require_known_layout(con)
    con.execute("create table if not exists schema_migration (number integer primary key, file_name varchar not null)")
    done = {number for (number,) in con.execute("select number from schema_migration").fetchall()}
    for number, name in _migration_files():
        if number not in done:
            with transaction(con):
                con.execute(sql_text(f"migrations/{name}"))
                con.execute("insert into schema_migration values (?, ?)", [number, name])


def require_known_layout(con: Connection) -> None:
    """Refuse a warehouse of a newer kitfare before anything is written.

    Raises:
        NewerLayoutError: the database records a migration that this version does not know.
    """
    if (layout := layout_of(con)) > newest_layout():
        raise NewerLayoutError(
            "the warehouse was made by a newer version of kitfare",
            where=f"layout {layout}; this version knows {newest_layout()}",
            state="nothing was changed",
            next_step="install that version; or, to go on with this one, run `kitfare rebuild`",
        )


def newest_layout() -> int:
    """The number of the last migration this version knows: what it makes of a warehouse, and what a workspace's layout is called."""
    return max(number for number, _ in _migration_files())


def layout_of(con: Connection) -> int:
    """The number of the last migration that a database has had; 0 if it had none."""
    if not con.execute("select 1 from duckdb_tables() where table_name = 'schema_migration'").fetchall():
        return 0
    ((number,),) = con.execute("select coalesce(max(number), 0) from schema_migration").fetchall()
    return int(number)


def install_macros(con: Connection, names: Sequence[str]) -> None:
    """Create the macros of sql/macros/, so that anyone who opens the file has them."""
    with transaction(con):
        for name in names:
            con.execute(sql_texts("macros")[name])


@contextmanager
def transaction(con: Connection) -> Iterator[None]:
    """All or nothing."""
    con.begin()
    try:
        yield
    except BaseException:
        # A database that a full disk has broken refuses this as well; the first error is the one that says why.
        with suppress(duckdb.Error):
            con.rollback()
        raise
    con.commit()


def frame_of(con: Connection, sql: str, parameters: Sequence[Any] = ()) -> pl.DataFrame:
    """The result of a query as a Polars frame."""
    found: pl.DataFrame = con.sql(sql, params=list(parameters)).pl()
    return found


def insert_frame(con: Connection, table: str, frame: pl.DataFrame) -> None:
    """Append a frame's rows to a table, column by name."""
    con.register("incoming_frame", frame)
    con.execute(f"insert into {table} by name select * from incoming_frame")
    # Not in a finally: in an aborted transaction this fails too, and would hide why. The next frame takes the name over.
    con.unregister("incoming_frame")


def _migration_files() -> list[tuple[int, str]]:
    names = sorted(path.name for path in (resource_folder("sql") / "migrations").glob("*.sql"))
    return [(int(name.split("_")[0]), name) for name in names]
