"""The file of quarantined rows, which the user corrects and drops back into the inbox."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from pathlib import Path

import polars as pl

from pipelines.intake.checking import corrected_files
from pipelines.intake.take_in import TakenFile
from schemas.all_columns import COLUMNS
from schemas.validate import POSITION_COLUMNS

_LONGEST_NAME = 180
"""File systems allow 255 bytes; a letter may take four of them, but rarely does."""


def write_quarantined(taken: TakenFile, quarantine_folder: Path) -> Path | None:
    """Write the quarantined rows of a file to :func:`quarantined_path`, in place of what is there.

    UTF-8 with a byte order mark, so that spreadsheets read it correctly. Each row states what failed and what to do; a row of a
    corrected file that failed again names its first parent, not the corrected file. See :mod:`pipelines.intake.checking.corrected_files`.

    Returns:
        Where it was written; None when no row is quarantined.
    """
    if not taken.quarantined_text.height or taken.contract is None:
        return None
    reasons = taken.failures.group_by("record_number", maintain_order=True).agg(
        pl.when(pl.col("quarantined_column") == "")
        .then(pl.col("quarantined_rule"))
        .otherwise(
            pl.col("quarantined_column") + " '" + pl.col("quarantined_value") + "': " + pl.col("quarantined_rule")
        )
        .str.join("; ")
        .alias("what_failed"),
        pl.col("what_to_do").unique(maintain_order=True).str.join("; "),
    )
    rows = (
        taken.quarantined_text.with_columns(_cells(taken))
        .join(reasons, on="record_number", how="left")
        .join(taken.parents, on="record_number", how="left")
        .with_columns(
            pl.col(corrected_files.PARENT_COLUMN).fill_null(taken.file_hash),
            pl.coalesce("parent_record_number", "record_number").alias("record_number"),
        )
        .sort("source_line_number")
    )
    ordered = [
        *corrected_files.REASON_COLUMNS,
        *taken.contract.columns,
        corrected_files.PARENT_COLUMN,
        "record_number",
        "source_line_number",
    ]
    written = rows.select(
        pl.col(name)
        if name in POSITION_COLUMNS or name in taken.contract.columns
        else corrected_files.escaped(pl.col(name)).alias(name)
        for name in ordered
    )
    quarantine_folder.mkdir(parents=True, exist_ok=True)
    path = quarantined_path(taken, quarantine_folder)
    _replace(path, written)
    return path


def quarantined_path(taken: TakenFile, quarantine_folder: Path) -> Path:
    """Where the quarantined rows of a file are written."""
    return quarantine_folder / quarantined_name(taken.file_name, taken.file_hash)


def quarantined_name(file_name: str, file_hash: str) -> str:
    """The name of the file with a file's quarantined rows."""
    return f"{_short(file_name)}.{file_hash[:8]}.quarantined.csv"


def _cells(taken: TakenFile) -> list[pl.Expr]:
    """The contract's cells, escaped, with a mark on those that failed."""
    assert taken.contract is not None
    first = taken.contract.columns[0]
    whole_row = taken.failures.filter(
        (pl.col("quarantined_column") == "") & ~pl.col("quarantined_rule").is_in(corrected_files.WHOLE_ROW_RULES)
    )
    cells = []
    for name in taken.contract.columns:
        bad = taken.failures.filter(pl.col("quarantined_column") == name)["record_number"]
        bad = pl.concat([bad, whole_row["record_number"]]) if name == first else bad
        text = corrected_files.escaped(pl.col(name), COLUMNS[name].kind == "integer")
        marked = pl.lit(corrected_files.MARK) + text.fill_null("")
        cells.append(pl.when(pl.col("record_number").is_in(bad.implode())).then(marked).otherwise(text).alias(name))
    return cells


def _short(name: str) -> str:
    encoded = name.encode()
    return name if len(encoded) <= _LONGEST_NAME else encoded[:_LONGEST_NAME].decode(errors="ignore")


def _replace(path: Path, rows: pl.DataFrame) -> None:
    """Write beside, then rename: a kill leaves no half file that could be dropped back."""
    text = io.StringIO(newline="")
    # CRLF, because the writer quotes a lone carriage return in a cell only where it is part of the line end.
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(rows.columns)
    writer.writerows(rows.iter_rows())
    handle, temporary = tempfile.mkstemp(prefix=".writing-", dir=path.parent)
    with os.fdopen(handle, "wb") as stream:
        stream.write(b"\xef\xbb\xbf" + text.getvalue().encode())
        stream.flush()
        os.fsync(stream.fileno())
    Path(temporary).chmod(0o644)
    Path(temporary).replace(path)
