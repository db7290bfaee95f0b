"""Rows of price files as the warehouse keeps them: once in full, and as references where they repeat an open price period.

A reference is the place of a row in its file and the number of the row that has its content. Which rows are references
changes nothing but the room they take: the view price_observation gives every row as it was received.
"""

from __future__ import annotations

import polars as pl

from pipelines.warehouse.connect import Connection, insert_frame
from schemas.inputs.price_files import PRICE_EXPORT

ROWS_AT_ONCE = 1_000_000
"""Rows compared at once: enough to be quick, and few enough for a join within the memory limit."""

_OF_RUN = ("vendor_code", "observed_on", "coverage", "revision_number")
"""What rows have besides the content of their offer; with the file and the distance of lines it makes a run of references."""
_CONTENT = tuple(name for name in PRICE_EXPORT.columns if name not in _OF_RUN[1:])


def insert_rows(con: Connection, rows: pl.DataFrame, file_hash: str) -> None:
    """Keep the rows of a price file; within a transaction.

    Args:
        con: from ``connect.writer``.
        rows: PRICE_EXPORT with positions.
        file_hash: their file.
    """
    vendor = rows["vendor_code"]
    # Open price periods are looked up by vendor, once for each slice that has rows of it.
    if rows.height > ROWS_AT_ONCE and vendor.rle_id().max() >= 2 * vendor.n_unique():  # type: ignore[operator]
        rows = rows.sort("vendor_code", maintain_order=True)
    number, run = con.execute(
        "select coalesce((select max(stored_number) from observed_row), 0), "
        "coalesce((select max(run_number) from repeated_run), 0)"
    ).fetchall()[0]
    for part in rows.iter_slices(ROWS_AT_ONCE) if rows.height else ():
        referred = _referred(con, part)
        new = part
        if referred.null_count() < part.height:
            new = part.filter(referred.is_null())
            run = _insert_references(con, part, referred, file_hash, run)
        numbers = pl.int_range(number + 1, number + 1 + pl.len(), dtype=pl.Int64).alias("stored_number")
        insert_frame(con, "observed_row", new.with_columns(numbers, pl.lit(file_hash).alias("file_hash")))
        number += new.height


def _referred(con: Connection, rows: pl.DataFrame) -> pl.Series:
    """For each row the number of the row whose content it repeats: that of the open price period of its offer and step, or null.

    Columns with one value in all of the rows are compared with that value, and only the others joined. A corrected price
    period differs from the row that opened it, so vendors with corrections are left out.
    """
    vendors = rows["vendor_code"].unique()
    alike = [name for name in _CONTENT if rows[name].eq_missing(rows[name][0]).all()]
    differing = [name for name in _CONTENT if name not in alike]
    same = [f"listed.{name} is not distinct from price_period.{name}" for name in differing]
    fixed = "".join(f" and price_period.{name} is not distinct from ${number}" for number, name in enumerate(alike, 4))
    place = pl.int_range(pl.len(), dtype=pl.UInt32).alias("place")
    con.register("incoming_frame", rows.select(place, *differing))
    found = con.sql(
        f"""
        select listed.place, price_period.stored_number
        from incoming_frame as listed
        join price_period on {" and ".join(same) or "true"}
        where
            price_period.valid_to_on is null and price_period.stored_number > 0
            and price_period.vendor_code between $1 and $2 and price_period.vendor_code in (select unnest($3::varchar[]))
            and price_period.vendor_code not in (select vendor_code from source_correction)
            and price_period.vendor_code not in (select vendor_code from corrected_row)
            {fixed}
        """,
        params=[vendors.min(), vendors.max(), vendors.to_list(), *(rows[name][0] for name in alike)],
    ).pl()
    con.unregister("incoming_frame")
    referred = pl.Series("stored_number", [None], dtype=pl.Int64).new_from_index(0, rows.height)
    return referred.scatter(found["place"], found["stored_number"])


def _insert_references(con: Connection, rows: pl.DataFrame, referred: pl.Series, file_hash: str, run: int) -> int:
    """Write references, and the runs they are part of, numbered from ``run`` on; returns the highest number."""
    distance = pl.col("source_line_number") - pl.col("record_number")
    placed = rows.select(*_OF_RUN, distance.alias("line_distance"), "record_number", referred).drop_nulls(referred.name)
    shared = [*_OF_RUN, "line_distance"]
    begins = placed.select(
        pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift()) for name in shared)
    ).to_series()
    placed = placed.with_columns((begins.cum_sum().cast(pl.Int64) + run).alias("run_number"))
    begun = placed.filter(begins).select("run_number", *shared)
    insert_frame(con, "repeated_run", begun.with_columns(pl.lit(file_hash).alias("file_hash")))
    # In the order of what they refer to, in which both numbers run nearly evenly and take next to no space.
    references = placed.select("run_number", "record_number", "stored_number").sort("run_number", "stored_number")
    insert_frame(con, "repeated_record", references)
    return int(references["run_number"][-1])


def forget_rows(con: Connection, file_hash: str) -> None:
    """Remove a file's rows; rows of other files that refer to them first get a copy of their content.

    Price periods that they opened refer to nothing until they are folded anew.
    """
    con.execute(
        "insert into observed_row select * replace ((select max(stored_number) from observed_row) "
        "+ row_number() over (order by file_hash, record_number) as stored_number) "
        "from stored_observation where file_hash <> $1 and stored_number in "
        "(select stored_number from observed_row where file_hash = $1)",
        [file_hash],
    )
    gone = "stored_number in (select stored_number from observed_row where file_hash = $1)"
    con.execute(f"update price_period set stored_number = 0 where {gone}", [file_hash])
    con.execute(
        f"delete from repeated_record where {gone} or run_number in (select run_number from repeated_run where file_hash = $1)",
        [file_hash],
    )
    for table in ("observed_row", "repeated_run"):
        con.execute(f"delete from {table} where file_hash = ?", [file_hash])
