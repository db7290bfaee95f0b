"""Take one dropped file in: archive its bytes, read them, shape, validate, and hold what fails."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipelines.errors import KitfareError
from schemas.contract import Contract

HELD_KEY = ("vendor_code", "observed_on", "part_code", "colour_code", "condition", "listing_code")
"""What identifies the spell that a held row keeps open."""

PARENT_SCHEMA = pl.Schema(
    {"record_number": pl.Int64(), "parent_file_hash": pl.String(), "parent_record_number": pl.Int64()}
)


@dataclass(frozen=True)
class TakenFile:
    """What became of one dropped file. Always: read_row_count = rows + rows of held_text + duplicate_row_count.

    Args:
        file_hash: SHA-256 of the bytes, also their address in the archive; empty when the file could not be copied.
        file_name: name under which it was dropped.
        contract: the table its rows belong to; None when that is not known.
        profile_name: profile that fitted; empty for a file in our own columns.
        rows: accepted rows, typed: source_line_number, record_number (Int64) and the contract's columns. Exact
            repeats are removed; no two rows share the contract's key.
        failures: every failure of every held row (FAILURE_SCHEMA).
        held_text: one row per held row: source_line_number, record_number and the contract's columns as text.
        held_keys: record_number and HELD_KEY, typed, of each held price_export row whose key can be read: its spell
            stays open. A part code that is not in the code map stands as the source writes it.
        unreadable_key_count: held price_export rows whose key cannot be trusted; above 1 % of the rows read, the export
            closes nothing. Ragged rows count here even where they have a row in held_keys, because cells may have slipped.
        read_row_count: rows of the file, without the header and wholly empty rows.
        duplicate_row_count: rows that repeat another row exactly.
        parents: PARENT_SCHEMA; for each row of a mended file (held or accepted), the row of which file it replaces.
        notes: what the user should know, in sentences.
        error: why the file is held whole; then all frames are empty.
    """

    file_hash: str
    file_name: str
    contract: Contract | None = None
    profile_name: str = ""
    rows: pl.DataFrame = field(default_factory=pl.DataFrame)
    failures: pl.DataFrame = field(default_factory=pl.DataFrame)
    held_text: pl.DataFrame = field(default_factory=pl.DataFrame)
    held_keys: pl.DataFrame = field(default_factory=pl.DataFrame)
    unreadable_key_count: int = 0
    read_row_count: int = 0
    duplicate_row_count: int = 0
    parents: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=PARENT_SCHEMA))
    notes: tuple[str, ...] = ()
    error: KitfareError | None = None
