"""Takes the rows of one file into the warehouse, in one transaction. The same rows of the same bytes change nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

import polars as pl

from pipelines.errors import InputError, KitfareError
from pipelines.warehouse.connect import Connection, frame_of, insert_frame, transaction
from pipelines.warehouse.price_history import messages, plausibility, repeats
from pipelines.warehouse.price_history.messages import Message
from schemas.contract import Contract
from schemas.inputs.price_files import PRICE_EXPORT, PRICE_SUMMARY
from schemas.validate import polars_schema

LoadStatus = Literal["loaded", "duplicate", "reread", "quarantined"]

WHOLE_FILE = 0
"""The record number under which a file that could not be used at all is quarantined."""

_TABLES = {PRICE_EXPORT.name: "price_observation", PRICE_SUMMARY.name: "summary_observation"}


class IncomingFile(Protocol):
    """What intake makes of a file; see :class:`pipelines.intake.take_in.TakenFile`.

    ``rows`` has the contract's columns, typed, plus source_line_number and record_number. ``quarantined_keys`` has, per failing
    record whose offer can be read, record_number, vendor_code, part_code, colour_code, condition, listing_code and
    observed_on. ``parents`` has record_number, parent_file_hash and parent_record_number for corrected rows, accepted or
    not. ``error`` is set when the file could not be used at all; ``file_hash`` is empty when it could not even be copied.
    """

    @property
    def file_hash(self) -> str:
        """SHA-256 of the bytes."""

    @property
    def file_name(self) -> str:
        """Name under which the file was dropped."""

    @property
    def contract(self) -> Contract | None:
        """PRICE_EXPORT, PRICE_SUMMARY, or None when the file could not be recognised."""

    @property
    def profile_name(self) -> str:
        """The profile that recognised it."""

    @property
    def rows(self) -> pl.DataFrame:
        """The rows that meet the contract."""

    @property
    def failures(self) -> pl.DataFrame:
        """FAILURE_SCHEMA: every failure of the other rows."""

    @property
    def quarantined_keys(self) -> pl.DataFrame:
        """The offers named by rows that failed."""

    @property
    def unreadable_key_count(self) -> int:
        """Rows that failed and do not name their offer in a way that can be trusted."""

    @property
    def read_row_count(self) -> int:
        """Rows in the file."""

    @property
    def duplicate_row_count(self) -> int:
        """Rows that repeat another row of the file exactly."""

    @property
    def parents(self) -> pl.DataFrame:
        """Which rows correct which."""

    @property
    def error(self) -> KitfareError | None:
        """Why the whole file is quarantined."""


def _no_messages(_status: LoadStatus) -> Sequence[Message]:
    return ()


def load_file(
    con: Connection,
    taken: IncomingFile,
    received_at: datetime,
    messages_for: Callable[[LoadStatus], Sequence[Message]] = _no_messages,
) -> LoadStatus:
    """Add one file's rows, failures and links to the warehouse; :func:`history.fold` makes the history of them.

    The same bytes may be read in another way than before, because a profile or the code map was corrected: then these rows
    take the place of the earlier ones.

    Args:
        con: from ``connect.writer``.
        taken: what intake made of the file.
        received_at: UTC.
        messages_for: gives the messages about the file, kept in the same transaction. Not called for a file without a hash.

    Returns:
        loaded; quarantined (the whole file); duplicate (nothing changed: the file was taken in before, and gives the same rows or
        cannot be used any more); reread (taken in before, with other rows).

    Raises:
        InputError: the rows do not meet the contract, or do not add up to the rows read; nothing was changed.
    """
    _require_whole(taken)
    if not taken.file_hash:
        return "quarantined"
    with transaction(con):
        status = _load(con, taken, received_at)
        messages.keep(con, messages_for(status))
    return status


def _load(con: Connection, taken: IncomingFile, received_at: datetime) -> LoadStatus:
    found = con.execute(
        "select is_quarantined_whole, table_name from received_file where file_hash = ?", [taken.file_hash]
    ).fetchall()
    if not found:
        _insert(con, taken, received_at)
        return "loaded" if taken.error is None else "quarantined"
    is_quarantined_whole, table_name = found[0]
    if taken.error is not None or (not is_quarantined_whole and _is_loaded(con, taken, table_name)):
        con.execute(
            "update received_file set repeat_drop_count = repeat_drop_count + 1 where file_hash = ?",
            [taken.file_hash],
        )
        return "quarantined" if is_quarantined_whole else "duplicate"
    _forget(con, taken.file_hash)
    _insert(con, taken, received_at)
    if is_quarantined_whole:
        return "loaded"
    # Even as a summary: it may have had prices of vendors before.
    con.execute("insert into file_to_fold values (?, false)", [taken.file_hash])
    return "reread"


@dataclass(frozen=True)
class FileReceived:
    """A file the warehouse has: when it was taken in with the rows it has now, and under which name."""

    file_hash: str
    file_name: str
    received_at: datetime
    read_row_count: int


def readings(con: Connection) -> list[FileReceived]:
    """Every file the warehouse has, in the order in which they were taken in."""
    found = con.execute(
        "select file_hash, file_name, received_at, read_row_count from received_file order by received_at, file_name, "
        "file_hash"
    ).fetchall()
    return [FileReceived(*row) for row in found]


def quarantined_whole(con: Connection) -> list[tuple[str, str]]:
    """Name and hash of every file that could not be used at all."""
    sql = (
        "select file_name, file_hash from received_file where is_quarantined_whole order by received_at desc, file_hash"
    )
    return [(str(name), str(file_hash)) for name, file_hash in con.execute(sql).fetchall()]


def _insert(con: Connection, taken: IncomingFile, received_at: datetime) -> None:
    con.execute(
        "insert into received_file values (?, ?, ?, ?, ?, ?, ?, ?, ?, 0)",
        [
            taken.file_hash,
            taken.file_name,
            taken.contract.name if taken.contract else "",
            taken.profile_name,
            received_at,
            taken.error is not None,
            taken.read_row_count,
            taken.duplicate_row_count,
            taken.unreadable_key_count,
        ],
    )
    for table, frame in _rows_by_table(taken).items():
        if table == "price_observation":
            repeats.insert_rows(con, frame, taken.file_hash)
        else:
            insert_frame(con, table, frame.with_columns(pl.lit(taken.file_hash).alias("file_hash")))
    if taken.error is None and taken.contract == PRICE_EXPORT:
        con.execute("insert into file_to_fold values (?, true)", [taken.file_hash])


def _forget(con: Connection, file_hash: str) -> None:
    """Remove a file's rows; rows of other files that refer to them first get a copy of their content."""
    repeats.forget_rows(con, file_hash)
    plausibility.forget_file(con, file_hash)
    for table in ("received_file", "summary_observation", "quarantined_failure", "quarantined_key", "corrected_record"):
        con.execute(f"delete from {table} where file_hash = ?", [file_hash])


def _rows_by_table(taken: IncomingFile) -> dict[str, pl.DataFrame]:
    """What the warehouse keeps of the file's rows."""
    if taken.error is not None:
        return {"quarantined_failure": _whole_file_failure(taken.error)}
    assert taken.contract is not None
    rows, failures = taken.rows, taken.failures
    if taken.contract == PRICE_EXPORT and taken.parents.height:
        rows = _added_rows_as_partial(rows, taken.parents)
    if failures.height:
        failures = failures.unique(
            ("record_number", "quarantined_column", "quarantined_rule"), keep="first", maintain_order=True
        )
    return {
        _TABLES[taken.contract.name]: rows,
        "quarantined_failure": failures,
        "quarantined_key": taken.quarantined_keys,
        "corrected_record": taken.parents,
    }


def _is_loaded(con: Connection, taken: IncomingFile, table_name: str) -> bool:
    """Whether the warehouse has exactly these rows of the file."""
    assert taken.contract is not None
    if taken.contract.name != table_name:
        return False
    for table, frame in _rows_by_table(taken).items():
        stored = frame_of(con, f"select * exclude (file_hash) from {table} where file_hash = ?", [taken.file_hash])
        if stored.height != frame.height:
            return False
        if stored.height:
            ours = frame.select(stored.columns).cast(stored.schema)
            if not ours.sort(ours.columns).equals(stored.sort(stored.columns)):
                return False
    return True


def _added_rows_as_partial(rows: pl.DataFrame, parents: pl.DataFrame) -> pl.DataFrame:
    """A row that someone added to a file of corrected rows names no export to rejoin; it must not pass for a full one."""
    is_added = ~pl.col("record_number").is_in(parents["record_number"].implode())
    return rows.with_columns(pl.when(is_added).then(pl.lit("partial")).otherwise("coverage").alias("coverage"))


def _whole_file_failure(error: KitfareError) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "record_number": [WHOLE_FILE],
            "source_line_number": [WHOLE_FILE],
            "quarantined_column": [""],
            "quarantined_value": [""],
            "quarantined_rule": [error.what],
            "what_to_do": [error.next_step],
        }
    )


def _repeats_a_key(rows: pl.DataFrame, contract: Contract) -> bool:
    """Hashes first: they take a fraction of the time and memory, and hardly ever agree where keys do not."""
    hashes = rows.select(contract.key).hash_rows().sort()
    if not (hashes.slice(1) == hashes.head(-1)).any():
        return False
    return bool(rows.select(pl.struct(contract.key).is_duplicated().any()).item())


def _require_whole(taken: IncomingFile) -> None:
    """Refuse rows that are not typed as agreed, repeat a key, or do not add up to what was read."""
    if taken.error is not None:
        return
    where = taken.file_name
    if taken.contract is None:
        raise InputError("a file without a contract was handed to the warehouse", where=where)
    expected = polars_schema(taken.contract)
    found = {name: taken.rows.schema.get(name) for name in expected}
    if found != dict(expected):
        raise InputError(f"rows of {taken.contract.name} are not typed as its contract says", where=where)
    if not taken.parents.height and _repeats_a_key(taken.rows, taken.contract):
        raise InputError(f"rows of {taken.contract.name} repeat a key", where=where)
    quarantined = taken.failures["record_number"].n_unique() if taken.failures.height else 0
    total = taken.rows.height + quarantined + taken.duplicate_row_count
    if total != taken.read_row_count:
        raise InputError(
            f"{taken.read_row_count} rows were read, but {taken.rows.height} were accepted, {quarantined} quarantined and "
            f"{taken.duplicate_row_count} were duplicates",
            where=where,
            state="nothing was changed",
        )
