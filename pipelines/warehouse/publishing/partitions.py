"""The price history as Parquet files by month, for engines that read folders: only what changed is written.

Price periods are filed under the month in which they ended, and open ones under ``open``. An ended period does not change,
so a night writes the open ones and its own month. Filed under the month of their start, old months would change too.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import polars as pl

from pipelines.workspace import PRIVATE
from schemas.published.price_history import PRICE_HISTORY

FOLDER = f"{PRIVATE}/history"
MONTH = "ended_month"
STILL_OPEN = "open"


def write_partitions(folder: Path, history: pl.DataFrame, previous: Path | None) -> tuple[int, int]:
    """Write ``private/history/ended_month=<month>/<digest>.parquet``, one file per month, below a generation's folder.

    A file is named by a digest of its rows. One that the previous generation has under the same name is linked, not written:
    files of a generation never change.

    Args:
        folder: the generation's folder, not published yet.
        history: PRICE_HISTORY.
        previous: the folder of the generation before; None if there is none.

    Returns:
        How many files there are, and how many of them had to be written.
    """
    target = folder / FOLDER
    shutil.rmtree(target, ignore_errors=True)
    target.mkdir(parents=True)
    month = pl.col("valid_to_on").dt.strftime("%Y-%m").fill_null(STILL_OPEN)
    ordered = history.select(PRICE_HISTORY.columns).sort(PRICE_HISTORY.key).with_columns(month.alias(MONTH))
    by_month = ordered.partition_by(MONTH, as_dict=True, maintain_order=True, include_key=False)
    written = 0
    for (name,), rows in sorted(by_month.items()):
        place = Path(f"{MONTH}={name}") / f"{digest(rows)}.parquet"
        (target / place).parent.mkdir()
        if previous is None or not _linked(previous / FOLDER / place, target / place):
            _write(rows, target / place)
            written += 1
    return len(by_month), written


def digest(rows: pl.DataFrame) -> str:
    """16 hexadecimal digits that stand for the rows, their order and their columns."""
    found = hashlib.sha256(repr(rows.schema).encode())
    found.update(rows.hash_rows(seed=0).to_numpy().tobytes())
    return found.hexdigest()[:16]


def _linked(source: Path, target: Path) -> bool:
    """Give a file a second name; a file system without such names gets a copy."""
    try:
        os.link(source, target)
    except FileNotFoundError:
        return False
    except OSError:
        shutil.copyfile(source, target)
    return True


def _write(rows: pl.DataFrame, path: Path) -> None:
    rows.write_parquet(path, compression="zstd")
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())
