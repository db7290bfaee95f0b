"""Builds a generation (a DuckDB file and table files) and publishes it by swapping one symbolic link.

A generation is built in a folder readers do not see, checkpointed, closed and synced; then ``published`` is renamed over.
A kill at any moment leaves the last good generation; the next start removes what else it left.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import polars as pl

from pipelines.errors import CheckFailedError, KitfareError
from pipelines.money import currency_digits
from pipelines.resources import leading_comment, sql_texts
from pipelines.warehouse.connect import (
    PUBLISHED_MACROS,
    Connection,
    disk_trouble_in_words,
    insert_frame,
    install_macros,
    open_database,
    transaction,
)
from pipelines.warehouse.publishing.table_files import FOLDER as TABLES_FOLDER
from pipelines.workspace import DATABASE, Workspace
from schemas.all_columns import COLUMNS
from schemas.all_tables import ALL_PUBLISHED, WORKSPACE_TABLES
from schemas.contract import Contract
from schemas.published.plans import MODEL_COST
from schemas.validate import empty_frame, validate_typed

SUMS_NAME = "SHA256SUMS"
"""The hash of every file of a generation, as ``sha256sum --check`` reads it."""

CONTRACTS: dict[str, Contract] = {contract.name: contract for contract in (*ALL_PUBLISHED, *WORKSPACE_TABLES)}
"""Every table of a generation; one that is not given is published empty, so that views and checks always find it."""

_BUILDING, _REMOVING, _NEW_LINK = ".building", ".removing", ".published.new"

# What spreadsheets take for a formula; a quote before it makes them show the text (OWASP, "CSV Injection").
_FORMULA_START = r"^[=+\-@\t\r\n]"
_TEXT_KINDS = ("code", "text", "month", "code_list")


Table = pl.DataFrame | Callable[[], pl.DataFrame]
"""A table, or a function that reads it when its turn comes."""


def build(folder: Path, tables: Mapping[str, Table]) -> None:
    """Write a generation's private part: kitfare.duckdb, tables/<name>.parquet and tables/<name>.csv below private/.

    Every table is checked against its contract and sorted by its key. Amounts get the digits of the table's currencies, those of
    model_cost where the table names none. In the database every table, column, view and macro carries its meaning as a
    comment. In CSV files empty cells stand for empty text and for nothing, and text that a spreadsheet would take for a
    formula has a quote before it; numbers are written as they are.

    Args:
        folder: is made; files that it contained before are replaced one by one. It is removed if anything fails.
        tables: by contract name.

    Raises:
        InputError: a table breaks its contract.
        CheckFailedError: an amount has more digits than its currency.
    """
    unknown = sorted(tables.keys() - CONTRACTS.keys())
    if unknown:
        raise KitfareError(f"tables without a contract cannot be published: {', '.join(unknown)}", where=str(folder))
    try:
        with disk_trouble_in_words(folder):
            _build(folder, tables)
    except Exception:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _build(folder: Path, tables: Mapping[str, Table]) -> None:
    """One table after the other, so that only one is in memory a second time."""
    costs = _read(tables, MODEL_COST)
    (folder / TABLES_FOLDER).mkdir(parents=True, exist_ok=True)
    with _new_database(folder / DATABASE) as con:
        for contract in CONTRACTS.values():
            frame = as_published(contract, _read(tables, contract), costs)
            with transaction(con):
                _create_table(con, contract, frame.schema)
                insert_frame(con, contract.name, frame)
            _write_files(folder, contract, frame)


def _read(tables: Mapping[str, Table], contract: Contract) -> pl.DataFrame:
    found = tables.get(contract.name)
    if found is None:
        return empty_frame(contract)
    return found if isinstance(found, pl.DataFrame) else found()


def replace_table(folder: Path, contract: Contract, frame: pl.DataFrame) -> None:
    """Put other rows into one table of a generation that is not published yet; the table's comments stay.

    Only for a table without amounts, such as check_result: the digits of amounts depend on the rows of all tables.

    Raises:
        InputError: the table breaks its contract.
    """
    if any(COLUMNS[name].kind == "amount" for name in contract.columns):
        raise ValueError(f"the digits of {contract.name} depend on its rows: build the generation again")
    ready = as_published(contract, frame, empty_frame(MODEL_COST))
    with disk_trouble_in_words(folder):
        con = open_database(folder / DATABASE, read_only=False, spill=None)
        try:
            with transaction(con):
                con.execute(f"delete from {contract.name}")
                insert_frame(con, contract.name, ready)
            con.execute("checkpoint")
        finally:
            con.close()
        _write_files(folder, contract, ready)


def publish(workspace: Workspace, folder: Path, keep: int) -> None:
    """Let readers see a built generation from now on, and remove old ones.

    Args:
        workspace: whose link is swapped.
        folder: a complete generation, directly in ``workspace.generations``.
        keep: generations that stay, the published one included.

    Raises:
        KitfareError: ``published`` exists and is no symbolic link.
    """
    if folder.parent.resolve() != workspace.generations.resolve():
        raise KitfareError("a generation must lie in the folder generations/ to be published", where=str(folder))
    if workspace.published.exists() and not workspace.published.is_symlink():
        raise KitfareError(
            "published is not the symbolic link that kitfare makes",
            where=str(workspace.published),
            state="the new generation is complete but not published",
            next_step="move it away and refresh again",
        )
    with disk_trouble_in_words(folder):
        lines = [f"{digest}  {name}\n" for name, digest in _sums(folder).items()]
        (folder / SUMS_NAME).write_text("".join(lines), encoding="utf-8")
        os.utime(folder)
        _sync_tree(folder)
        _sync(workspace.generations)
    with disk_trouble_in_words(workspace.root):
        link = workspace.root / _NEW_LINK
        link.unlink(missing_ok=True)
        link.symlink_to(Path(workspace.generations.name) / folder.name, target_is_directory=True)
        link.replace(workspace.published)
        _sync(workspace.root)
    prune(workspace, keep)


def changed_files(folder: Path) -> Iterator[tuple[Path, str]]:
    """Files of a generation that are not as they were published, each with what is wrong."""
    sums = folder / SUMS_NAME
    if not sums.is_file():
        yield sums, "is missing"
        return
    stated = {}
    for line in sums.read_text(encoding="utf-8").splitlines():
        digest, _, name = line.partition("  ")
        stated[name] = digest
    found = _sums(folder)
    for name in sorted(stated.keys() | found.keys()):
        if name not in found:
            yield folder / name, "is missing"
        elif name not in stated:
            yield folder / name, "was not published"
        elif found[name] != stated[name]:
            yield folder / name, "was changed"


def _sums(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a generation but the list of them, by its path within."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.relative_to(folder).as_posix() != SUMS_NAME:
            with path.open("rb") as stream:
                found[path.relative_to(folder).as_posix()] = hashlib.file_digest(stream, "sha256").hexdigest()
    return found


def clean_leftovers(workspace: Workspace) -> None:
    """Remove what killed refreshes left: half-built and half-removed generations, and a link that was not swapped in."""
    (workspace.root / _NEW_LINK).unlink(missing_ok=True)
    for folder in generations(workspace):
        if folder.name.endswith((_BUILDING, _REMOVING)):
            shutil.rmtree(folder)


def beyond_kept(workspace: Workspace, keep: int) -> list[Path]:
    """All but the ``keep`` generations published last; never the one readers see."""
    seen = workspace.published.resolve()
    others = [f for f in generations(workspace) if f.resolve() != seen and not f.name.endswith(_BUILDING)]
    others.sort(key=lambda folder: (folder.stat().st_mtime_ns, folder.name), reverse=True)
    return others[max(keep - 1, 0) :]


def prune(workspace: Workspace, keep: int) -> None:
    """Remove the generations beyond those kept."""
    for folder in beyond_kept(workspace, keep):
        # Renamed first: a half-removed generation must not look like a whole one.
        leaving = folder if folder.name.endswith(_REMOVING) else folder.with_name(folder.name + _REMOVING)
        folder.rename(leaving)
        shutil.rmtree(leaving)


def generations(workspace: Workspace) -> list[Path]:
    """Every generation's folder, whole or not."""
    if not workspace.generations.is_dir():
        return []
    return [path for path in workspace.generations.iterdir() if path.is_dir() and not path.is_symlink()]


def as_published(contract: Contract, frame: pl.DataFrame, costs: pl.DataFrame) -> pl.DataFrame:
    """A table as it is published: valid, ordered by key, amounts with the digits of their currencies.

    Args:
        contract: the table's.
        frame: its rows.
        costs: model_cost, whose currencies count where the table names none.

    Raises:
        CheckFailedError: an amount has more digits.
    """
    valid = validate_typed(contract, frame, where=f"published table {contract.name}")
    amounts = [name for name in contract.columns if COLUMNS[name].kind == "amount"]
    if not amounts:
        return valid.sort(contract.key)
    digits = _amount_digits(contract, valid, costs)
    cast = valid.with_columns(pl.col(amounts).cast(pl.Decimal(18, digits)))
    for name in amounts:
        lost = valid.filter(valid[name] != cast[name].cast(valid.schema[name]))
        if lost.height:
            raise CheckFailedError(
                f"{contract.name}.{name} has amounts with more than {digits} digits",
                where=str(lost.select(*contract.key, name).row(0, named=True)),
                state="nothing was published",
            )
    return cast.sort(contract.key)


def _amount_digits(contract: Contract, frame: pl.DataFrame, costs: pl.DataFrame) -> int:
    """The most digits among the currencies of the table, or of model_cost; 4, which loses nothing, when there is none."""
    named = [name for name in contract.columns if name.endswith("currency_code")]
    source, names = (frame, named) if named else (costs, ["currency_code"])
    codes = {code for name in names for code in source[name].unique() if code}
    return max((currency_digits(code) for code in codes), default=4)


@contextmanager
def _new_database(path: Path) -> Iterator[Connection]:
    """A database to fill with tables; views and macros are added at the end. What a kill leaves half made is never published."""
    path.unlink(missing_ok=True)
    path.with_name(path.name + ".wal").unlink(missing_ok=True)
    spill = path.with_name(path.name + ".spill")
    con = open_database(path, read_only=False, spill=spill)
    try:
        yield con
        install_macros(con, PUBLISHED_MACROS)
        with transaction(con):
            for name, text in sql_texts("marts").items():
                con.execute(text)
                _comment_view(con, name)
            for name in PUBLISHED_MACROS:
                text = sql_texts("macros")[name]
                kind = "macro table" if " as table\n" in text else "macro"
                _comment(con, f"{kind} {name}", leading_comment(text))
        con.execute("checkpoint")
    finally:
        con.close()
        shutil.rmtree(spill, ignore_errors=True)


def _write_files(folder: Path, contract: Contract, frame: pl.DataFrame) -> None:
    frame.write_parquet(folder / TABLES_FOLDER / f"{contract.name}.parquet", compression="zstd")
    _for_csv(contract, frame).write_csv(
        folder / TABLES_FOLDER / f"{contract.name}.csv", datetime_format="%Y-%m-%dT%H:%M:%S%.6f", line_terminator="\n"
    )


def _create_table(con: Connection, contract: Contract, schema: pl.Schema) -> None:
    parts = []
    for name in contract.columns:
        dtype = schema[name]
        # prices and rates keep their digits; amounts have been given those of their currency
        duckdb_type = (
            f"DECIMAL({dtype.precision},{dtype.scale})" if isinstance(dtype, pl.Decimal) else COLUMNS[name].duckdb_type
        )
        parts.append(f"{name} {duckdb_type}" + ("" if contract.may_be_empty(name) else " not null"))
    con.execute(f"create table {contract.name} ({', '.join(parts)})")
    grain = f"{contract.grain}; key: {', '.join(contract.key)}"
    _comment(con, f"table {contract.name}", f"{grain}. {contract.notes}".rstrip(". "))
    for name in contract.columns:
        _comment(con, f"column {contract.name}.{name}", COLUMNS[name].description)


def _comment_view(con: Connection, view: str) -> None:
    """The meaning of a view is the first comment of its file; its columns mean what they mean in the tables."""
    _comment(con, f"view {view}", leading_comment(sql_texts("marts")[view]))
    found = con.execute("select column_name from duckdb_columns() where table_name = ?", [view]).fetchall()
    for (name,) in found:
        if name in COLUMNS:
            _comment(con, f"column {view}.{name}", COLUMNS[name].description)


def _comment(con: Connection, what: str, text: str) -> None:
    escaped = text.replace("'", "''")
    con.execute(f"comment on {what} is '{escaped}'")


def _for_csv(contract: Contract, frame: pl.DataFrame) -> pl.DataFrame:
    texts = [name for name in contract.columns if COLUMNS[name].kind in _TEXT_KINDS]
    safe = [
        pl.when(pl.col(name).str.contains(_FORMULA_START))
        .then(pl.concat_str(pl.lit("'"), pl.col(name)))
        .when(pl.col(name) != "")
        .then(pl.col(name))
        .alias(name)
        for name in texts
    ]
    return frame.with_columns(safe)


def _sync_tree(folder: Path) -> None:
    for path in _walk(folder):
        _sync(path)
    _sync(folder)


def _walk(folder: Path) -> Iterator[Path]:
    for path in folder.rglob("*"):
        if path.is_file() or path.is_dir():
            yield path


def _sync(path: Path) -> None:
    """Wait until the file or folder is on the disk, so that a power cut cannot leave a link to an empty file."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
