"""What the check of new exports needs to know of the history, and the record of what it found.

A finding is recorded once, when its export comes, and never worked out from the history again: so the history is a function of
what was received, of these records and of decisions. A decision about a file makes the exports that came with it or later
unchecked, because they were compared with a history that had the file, or lacked it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipelines.resources import sql_texts
from pipelines.warehouse.connect import Connection, frame_of, insert_frame, transaction

FINDING_SCHEMA = pl.Schema(
    {
        "file_hash": pl.String(), "vendor_code": pl.String(), "observed_on": pl.Date(), "finding_rule": pl.String(),
        "export_verdict": pl.String(), "measured_value": pl.Float64(), "allowed_value": pl.Float64(),
        "compared_file_hash": pl.String(), "compared_observed_on": pl.Date(), "named_codes": pl.String(),
    }
)  # fmt: skip
_KEY = ("file_hash", "vendor_code", "observed_on")
_TEMPORARY = (
    "new_part", "new_export", "known_export", "turn_export", "compared_export", "turn_element", "compared_element",
    "doubtful_export",
)  # fmt: skip


@dataclass(frozen=True)
class TurnFigures:
    """Figures of the exports of one turn: at most one of each vendor; frames by file_hash, vendor_code and observed_on.

    Args:
        exports: with received_at, is_full and element_count.
        dates: see sql/plausibility/export_dates.sql.
        compared: see sql/plausibility/export_figures.sql.
        usual: usual_count.
        currencies: one row per currency_code.
        unseen: code_kind, code and element_count.
        gone_parts: one row per part_code.
        steps: see sql/plausibility/price_steps.sql.
    """

    exports: pl.DataFrame
    dates: pl.DataFrame
    compared: pl.DataFrame
    usual: pl.DataFrame
    currencies: pl.DataFrame
    unseen: pl.DataFrame
    gone_parts: pl.DataFrame
    steps: pl.DataFrame


def turns(
    con: Connection, known_codes: pl.DataFrame, *, days_ahead: int, days_behind: int, far_moved_factor: float
) -> Iterator[TurnFigures]:
    """The exports not checked yet, turn by turn; record the findings of a turn before asking for the next.

    A turn has the next export of every vendor, so that an export is compared with those before it. Call it within a
    transaction.

    Args:
        con: from ``connect.writer``.
        known_codes: code_kind (part_code, colour_code) and code, of the workspace's tables.
        days_ahead, days_behind, far_moved_factor: of the settings.
    """
    if not con.execute(
        "select 1 from received_file anti join checked_file using (file_hash) "
        "where table_name = 'price_export' and not is_quarantined_whole limit 1"
    ).fetchall():
        return
    _run(con, "new_part")
    _run(con, "new_export")
    last = con.execute("select coalesce(max(turn), 0) from new_export").fetchall()[0][0]
    con.register("known_code", known_codes)
    for turn in range(1, last + 1):
        con.execute(f"create or replace temp table turn_export as select * from new_export where turn = {turn}")
        for name in ("known_export", "compared_export", "turn_element", "compared_element"):
            _run(con, name)
        yield TurnFigures(
            exports=_frame(
                con,
                "select turn_export.*, count(turn_element.part_code) as element_count from turn_export "
                "left join turn_element using (file_hash, vendor_code, observed_on) group by all order by vendor_code",
            ),
            dates=_frame(con, _query("export_dates"), days_ahead, days_behind),
            compared=_frame(con, _query("export_figures"), far_moved_factor),
            usual=_frame(con, _query("usual_size")),
            currencies=_frame(
                con, "select distinct file_hash, vendor_code, observed_on, currency_code from turn_element"
            ),
            unseen=_frame(con, _query("unseen_code")),
            gone_parts=_frame(con, _query("gone_part")),
            steps=_frame(con, _query("price_steps")),
        )
    con.unregister("known_code")
    con.execute(
        "insert into checked_file select file_hash from received_file anti join checked_file using (file_hash) "
        "anti join withdrawn_file using (file_hash) where table_name = 'price_export' and not is_quarantined_whole"
    )
    for name in _TEMPORARY:
        con.execute(f"drop table if exists {name}")


def other_lists(con: Connection, doubtful: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """Exports of this turn beside other vendors' lists: see sql/plausibility/other_lists.sql.

    Args:
        con: as above.
        doubtful: file_hash, vendor_code, observed_on, received_at.
        rates: currency_code and rate, what a unit of it is worth in one currency.
    """
    con.register("doubtful_export", doubtful)
    con.register("currency_rate", rates)
    try:
        return _frame(con, _query("other_lists"))
    finally:
        con.unregister("doubtful_export")
        con.unregister("currency_rate")


def record_turn(con: Connection, exports: pl.DataFrame, findings: pl.DataFrame) -> None:
    """Record the exports of a turn as checked, and what was found.

    Args:
        con: as above.
        exports: of :class:`TurnFigures`.
        findings: FINDING_SCHEMA.
    """
    checked = exports.select(*_KEY, "received_at", "is_full", "element_count")
    insert_frame(con, "checked_export", checked)
    insert_frame(con, "export_finding", findings)
    # A file that was folded before it was checked must be folded again.
    con.execute(
        "insert into file_to_fold select distinct file_hash, false from waiting_export "
        "where file_hash in (select file_hash from turn_export) "
        "and file_hash not in (select file_hash from file_to_fold)"
    )


def uncheck_since(con: Connection, file_hashes: Iterable[str]) -> None:
    """Make exports unchecked that came with or after the first of some files.

    Call it within a transaction.
    """
    first: datetime | None = con.execute(
        "select min(received_at) from received_file where file_hash in (select unnest($1::varchar[]))",
        [list(file_hashes)],
    ).fetchall()[0][0]
    if first is None:
        return
    since = "file_hash in (select file_hash from received_file where received_at >= $1)"
    con.execute(f"insert into file_to_fold select distinct file_hash, false from export_finding where {since}", [first])
    for table in ("checked_file", "checked_export", "export_finding"):
        con.execute(f"delete from {table} where {since}", [first])


def forget_file(con: Connection, file_hash: str) -> None:
    """Make a file unchecked, because its rows are about to be replaced."""
    for table in ("checked_file", "checked_export", "export_finding"):
        con.execute(f"delete from {table} where file_hash = ?", [file_hash])


def findings(con: Connection) -> pl.DataFrame:
    """Every finding recorded, as FINDING_SCHEMA, by key."""
    return frame_of(con, f"select {', '.join(FINDING_SCHEMA)} from export_finding order by all")


def checked_files(con: Connection) -> list[str]:
    """The files whose exports were checked."""
    return [name for (name,) in con.execute("select file_hash from checked_file order by all").fetchall()]


def restore(con: Connection, recorded: pl.DataFrame, checked: Iterable[str]) -> None:
    """Take over what was found earlier, for a warehouse made anew.

    Args:
        con: from ``connect.writer``; its files are loaded, decisions are set, and none of its exports is checked.
        recorded: FINDING_SCHEMA.
        checked: hashes of the files that were checked.
    """
    with transaction(con):
        known = con.execute(
            "select file_hash from received_file anti join withdrawn_file using (file_hash) "
            "where file_hash in (select unnest($1::varchar[]))",
            [list(checked)],
        ).fetchall()
        files = [file_hash for (file_hash,) in known]
        _run(con, "new_part")
        _run(con, "new_export")
        con.execute(
            "insert into checked_export "
            "select new_export.file_hash, new_export.vendor_code, new_export.observed_on, received_at, is_full, "
            "count(distinct (part_code, colour_code, condition)) "
            "from new_export join price_observation using (vendor_code, observed_on) "
            "left join corrected_root on price_observation.file_hash = corrected_root.file_hash "
            "and price_observation.record_number = corrected_root.record_number "
            "where coalesce(root_hash, price_observation.file_hash) = new_export.file_hash "
            "and new_export.file_hash in (select unnest($1::varchar[])) group by all",
            [files],
        )
        con.execute("insert into checked_file select unnest($1::varchar[])", [files])
        insert_frame(con, "export_finding", recorded.filter(pl.col("file_hash").is_in(files)))
        con.execute("drop table new_export")
        con.execute("drop table new_part")


def _run(con: Connection, name: str) -> None:
    con.execute(sql_texts("plausibility")[name])


def _query(name: str) -> str:
    return sql_texts("plausibility")[name].rstrip().removesuffix(";")


def _frame(con: Connection, sql: str, *parameters: object) -> pl.DataFrame:
    return frame_of(con, sql, parameters)
