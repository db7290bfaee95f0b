"""Folds observations into the price history: price periods of offers, their confirmations, and the standing of each export.

The history is a function of the set of received files and of the user's decisions, whatever order they came in. A fold
remakes whole vendors from their observations, all touched vendors at once; ``tests/oracle/reference_fold.py`` says in
plain Python what the result must be.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipelines.resources import sql_texts
from pipelines.warehouse.connect import Connection, frame_of, insert_frame, transaction
from pipelines.warehouse.price_history import plausibility
from pipelines.warehouse.price_history.append import append_exports

_GATHER = ("listing", "export_listing", "untrusted_key", "export", "quarantined_listing")
_RESOLVE = (
    "export_standing",
    "listing_event",
    "vendor_day",
    "listing_appearance",
    "listing_period",
)
_WRITE = ("listing_run", "price_period", "earlier_confirmation", "vendor_export")
_MADE = ("corrected_row", "price_period", "earlier_confirmation", "vendor_export")
"""Tables that the fold makes."""


@dataclass(frozen=True)
class WaitingExport:
    """One vendor's export on one date, that waits for the user's decision.

    ``findings`` are its rules with what was measured, the date of the export compared with, and codes named.
    """

    file_hash: str
    file_name: str
    vendor_code: str
    observed_on: date
    findings: tuple[tuple[str, float | None, date | None, str], ...] = ()


def set_decisions(con: Connection, *, accepted: Iterable[str], withdrawn: Iterable[str]) -> None:
    """Make these the accepted files, whose exports count whatever was found about them, and the withdrawn ones.

    Exports that came with a file about which the decision changed, or later, become unchecked.

    Args:
        con: from ``connect.writer``.
        accepted: hashes of files whose exports need not wait.
        withdrawn: hashes of files that count as never received. A hash may name a file that has not arrived yet.
    """
    with transaction(con):
        for table, hashes in (("accepted_export", set(accepted)), ("withdrawn_file", set(withdrawn))):
            before = {file_hash for (file_hash,) in con.execute(f"select file_hash from {table}").fetchall()}
            for file_hash in sorted(before - hashes):
                con.execute(f"delete from {table} where file_hash = ?", [file_hash])
            for file_hash in sorted(hashes - before):
                con.execute(f"insert into {table} values (?)", [file_hash])
            for file_hash in sorted(before ^ hashes):
                con.execute("insert into file_to_fold values (?, false)", [file_hash])
            plausibility.uncheck_since(con, before ^ hashes)


def set_corrections(con: Connection, corrections: pl.DataFrame) -> None:
    """Make these the known errors of sources.

    Args:
        con: from ``connect.writer``.
        corrections: SOURCE_CORRECTIONS.
    """
    before = frame_of(con, "select * from source_correction")
    corrections = corrections.select(before.columns).cast(before.schema)
    changed = pl.concat([before, corrections]).filter(pl.struct(before.columns).is_unique())
    if changed.is_empty():
        return
    with transaction(con):
        con.execute("delete from source_correction")
        insert_frame(con, "source_correction", corrections)
        vendors = changed["vendor_code"].unique().to_list()
        con.execute(
            "insert into file_to_fold select file_hash, false from observed_row where vendor_code in "
            "(select unnest($1::varchar[])) union select file_hash, false from repeated_run where vendor_code in "
            "(select unnest($1::varchar[]))",
            [vendors],
        )


def fold(con: Connection) -> int:
    """Remake the history of every vendor that files or decisions since the last fold may have changed; all or nothing.

    Exports with a finding for which they wait count for nothing, unless the user accepted their file.

    Returns:
        The number of vendors remade.
    """
    with transaction(con):
        if _count(con, "file_to_fold") == 0:
            return 0
        _run(con, "touched_vendor")
        appended = append_exports(con)
        if _count(con, "touched_vendor") == 0:
            con.execute("delete from file_to_fold")
            return appended
        con.execute("delete from superseded_row")
        _run(con, "superseded_row", "export_row")
        for table in _MADE:
            con.execute(f"delete from {table} where vendor_code in (select vendor_code from touched_vendor)")
        if _count(con, "source_correction"):
            _run(con, "corrected_row", "export_row_corrected")
        _run(con, *_GATHER, *_RESOLVE, *_WRITE)
        con.execute("delete from file_to_fold")
        vendor_count = _count(con, "touched_vendor")
        for table in (
            "export_row",
            *_GATHER,
            *_RESOLVE,
            "listing_run",
            "touched_vendor",
        ):
            con.execute(f"drop table if exists {table}")
        return appended + vendor_count


def refold(con: Connection) -> None:
    """Remake the history of all vendors, as if nothing had been folded yet."""
    con.execute("insert into file_to_fold select file_hash, false from received_file where table_name = 'price_export'")
    fold(con)


def is_pending(con: Connection) -> bool:
    """Whether files or decisions wait for a fold."""
    return _count(con, "file_to_fold") > 0


def unaccounted_files(con: Connection) -> list[str]:
    """Names of files of which rows were lost or counted twice; see the check row_accounting."""
    found = con.execute(f"with intake_file as (from intake_file()) {sql_texts('checks')['row_accounting']}").fetchall()
    # Rows that refer to another whose content is gone are counted and yet lost.
    lost = con.execute(
        "select distinct file_name from (select distinct run_number from repeated_record anti join observed_row "
        "using (stored_number)) join repeated_run using (run_number) "
        "join received_file using (file_hash) order by file_name"
    ).fetchall()
    return list(dict.fromkeys([*(str(row[1]) for row in found), *(str(row[0]) for row in lost)]))


def observed_dates(con: Connection) -> tuple[date | None, date | None]:
    """The first and last date of exports in the history; None while there are none."""
    found = con.execute(
        "select min(observed_on), max(observed_on) from vendor_export where export_standing in ('winner', 'overlay')"
    ).fetchall()
    return found[0][0], found[0][1]


def vendor_codes(con: Connection) -> list[str]:
    """Vendors whose exports count, sorted."""
    sql = "select distinct vendor_code from vendor_export where export_standing in ('winner', 'overlay') order by 1"
    return [str(code) for (code,) in con.execute(sql).fetchall()]


def fresh_date(con: Connection, stale_after_days: int) -> date | None:
    """The latest date on which enough of the usual vendors have prices that are not stale: see fresh_date.sql."""
    found = con.execute(sql_texts("history")["fresh_date"], [stale_after_days]).fetchall()
    return found[0][0] if found else None


def waiting_exports(con: Connection) -> list[WaitingExport]:
    """Exports with findings for which they wait, and whose files were not accepted; by date."""
    found: list[tuple[str, str, str, date]] = con.execute(
        "select file_hash, file_name, vendor_code, observed_on from vendor_export join received_file using (file_hash) "
        "where export_standing = 'waiting' order by observed_on, vendor_code, file_hash"
    ).fetchall()
    reasons: dict[tuple[str, str, date], list[tuple[str, float | None, date | None, str]]] = {}
    for *key, rule, measured, compared_on, named in con.execute(
        "select file_hash, vendor_code, observed_on, finding_rule, measured_value, compared_observed_on, named_codes "
        "from export_finding where export_verdict = 'waits' order by all"
    ).fetchall():
        reasons.setdefault((key[0], key[1], key[2]), []).append((rule, measured, compared_on, named))
    return [WaitingExport(*row, tuple(reasons.get((row[0], row[2], row[3]), ()))) for row in found]


@dataclass(frozen=True)
class EndedCorrection:
    """A declared correction that no row has needed since a date: the source no longer makes the error."""

    vendor_code: str
    part_code: str
    colour_code: str
    observed_from_on: date
    error_ended_on: date


def ended_corrections(con: Connection) -> list[EndedCorrection]:
    """Corrections with a guard whose vendor's latest exports no longer show the error, with the first date without it."""
    if not _count(con, "source_correction"):
        return []
    return [EndedCorrection(*row) for row in con.execute(sql_texts("history")["ended_correction"]).fetchall()]


def fingerprint(con: Connection) -> str:
    """A hash of all that published tables take from the warehouse, but for clocks and file names.

    Each part is the exclusive or of its rows' digests: the same rows give the same value in any order.
    """
    digest = hashlib.sha256()
    for row in con.execute(sql_texts("history")["fingerprint"]).fetchall():
        digest.update("\t".join(map(str, row)).encode() + b"\n")
    return digest.hexdigest()


def _run(con: Connection, *names: str) -> None:
    for name in names:
        con.execute(sql_texts("history")[name])


def _count(con: Connection, table: str) -> int:
    return int(con.execute(f"select count(*) from {table}").fetchall()[0][0])
