"""Which dates files have something of, and which files count: what the records of nights depend on."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from pipelines.resources import sql_texts
from pipelines.warehouse.connect import Connection

_FIRST_DATE = """
with family as (
    select unnest($1::varchar[]) as file_hash, unnest($1::varchar[]) as member_hash
    union
    select ancestor_hash, file_hash from corrected_ancestor
    union
    select file_hash, ancestor_hash from corrected_ancestor
),

seen as (
    select file_hash, observed_on from observed_row
    union all
    select file_hash, observed_on from repeated_run
    union all
    select file_hash, observed_on from quarantined_key
    union all
    select file_hash, observed_on from summary_observation
)

select family.file_hash, min(seen.observed_on)
from family
join seen on family.member_hash = seen.file_hash
where family.file_hash in (select unnest($1::varchar[]))
group by all
"""


def first_dates(con: Connection, hashes: Iterable[str]) -> dict[str, date]:
    """The first date that each file has something of, together with the files that correct it and that it corrects.

    A file without a row that could be read is left out.
    """
    return dict(con.execute(_FIRST_DATE, [sorted(hashes)]).fetchall())


def fresh_date_of(con: Connection, stale_after_days: int, hashes: Iterable[str]) -> date | None:
    """:func:`history.fresh_date` as it is with these files alone, of those that count."""
    found = con.execute(
        "with vendor_export as (from main.vendor_export where file_hash in (select unnest($2::varchar[]))) "
        f"select observed_on from ({sql_texts('history')['fresh_date'].rstrip().removesuffix(';')})",
        [stale_after_days, sorted(hashes)],
    ).fetchall()
    return found[0][0] if found else None


def waiting_files(con: Connection) -> frozenset[str]:
    """Files of which every export waits for a decision."""
    found = con.execute(
        "select file_hash from vendor_export group by file_hash having bool_and(export_standing = 'waiting')"
    )
    return frozenset(file_hash for (file_hash,) in found.fetchall())


def received_files(con: Connection) -> frozenset[str]:
    """Every file the warehouse has, quarantined ones too."""
    return frozenset(file_hash for (file_hash,) in con.execute("select file_hash from received_file").fetchall())


def withdrawn_files(con: Connection) -> frozenset[str]:
    """Files that were withdrawn when the history was folded last."""
    return frozenset(file_hash for (file_hash,) in con.execute("select file_hash from withdrawn_file").fetchall())
