"""The usual night: exports that only add to the end of their vendors' histories, without reading what came before.

:func:`append_exports` gives exactly what a whole fold would give; the tests of the fold test it as well.
"""

from __future__ import annotations

from pipelines.resources import sql_texts
from pipelines.warehouse.connect import Connection

BATCH_ROW_COUNT = 1_000_000
"""Rows compared at once: enough to be quick, and few enough for a join within the memory limit."""

_COMPARE = ("append_reference", "append_new", "append_unlisted", "append_step", "append_change", "append_refused")
_WRITE = (
    "append_new_run", "append_earlier_confirmation", "append_confirmed", "append_ended", "append_price_period", "append_vendor_export",
)  # fmt: skip
_TEMPORARY = ("append_vendor", "append_batch", *_COMPARE, "append_new_run")


def append_exports(con: Connection) -> int:
    """Fold the vendors to which the files to fold add one export after all others, and take them out of touched_vendor.

    Left to the whole fold are vendors with several new exports, late ones, corrections, corrected rows, waiting exports, or
    decisions that changed. Call it within a transaction.

    Returns:
        The number of vendors folded.
    """
    if con.execute("select count(*) from file_to_fold where is_new").fetchall() == [(0,)]:
        return 0
    con.execute(sql_texts("history")["untrusted_key"])
    con.execute(sql_texts("append")["append_vendor"])
    count = 0
    for vendors in _batches(con):
        con.execute(
            "create or replace temp table append_batch as "
            "select * from append_vendor where vendor_code in (select unnest(?::varchar[]))",
            [vendors],
        )
        for name in _COMPARE:
            con.execute(sql_texts("append")[name])
        for table in ("append_batch", "append_change"):
            con.execute(f"delete from {table} where vendor_code in (select vendor_code from append_refused)")
        for name in _WRITE:
            con.execute(sql_texts("append")[name])
        con.execute("delete from touched_vendor where vendor_code in (select vendor_code from append_batch)")
        count += con.execute("select count(*) from append_batch").fetchall()[0][0]
    for name in _TEMPORARY:
        con.execute(f"drop table if exists {name}")
    return count


def _batches(con: Connection) -> list[list[str]]:
    """The vendors to append, in runs of about BATCH_ROW_COUNT rows."""
    batches: list[list[str]] = []
    size = BATCH_ROW_COUNT
    for vendor, rows in con.execute("select vendor_code, row_count from append_vendor order by vendor_code").fetchall():
        if size + rows > BATCH_ROW_COUNT:
            batches.append([])
            size = 0
        batches[-1].append(vendor)
        size += rows
    return batches
