"""Writes the scenario's price exports: 24 month ends and 30 nights of 41 vendors, and a market summary every month.

``make_exports(inbox)`` from Python, or ``python -m demo_inputs.make_exports INBOX`` in the checkout. The same seed gives
the same bytes. Each source writes one file a date, in a shape of its own (layouts.py); mishaps.py adds what goes wrong.
"""

from __future__ import annotations

import shutil
import sys
from datetime import date
from pathlib import Path

import polars as pl

from . import layouts, mishaps
from .catalogue import NOWHERE
from .market import MONTH_COUNT, MONTH_ENDS, NIGHT_COUNT, NIGHTS, Market, build, trend

SEED = 20261031
TARN_EVERY = 10
"""The three who share a workbook write only every tenth night."""
_NOWHERE_PRICE_E4 = 3900


def make_exports(inbox: Path, seed: int = SEED) -> int:
    """Write all files into a folder, which is made.

    Returns:
        The number of rows written, bad ones included.
    """
    inbox.mkdir(parents=True, exist_ok=True)
    market = build(seed)
    count = 0
    for index in range(MONTH_COUNT):
        count += _write_date(market.month(index), MONTH_ENDS[index], inbox, with_tarn=True)
        count += _write_summary(market, index, inbox)
    for number in range(1, NIGHT_COUNT + 1):
        count += _write_date(market.night(number), NIGHTS[number - 1], inbox, with_tarn=number % TARN_EVERY == 0)
    count += _write_summary(market, MONTH_COUNT, inbox)
    return count + _write_odd_files(market, inbox)


def _write_date(rows: pl.DataFrame, day: date, inbox: Path, with_tarn: bool) -> int:
    rows = mishaps.shortened(mishaps.slipped(mishaps.with_the_mistake(rows), day), day)
    by_layout = {name: rows.filter(pl.col("layout") == name) for name in ("bins", "fells", "isles", "tarn", "hall")}
    bins = mishaps.spoiled_bins(layouts.bins_rows(by_layout["bins"]), day)
    layouts.write_bins(bins, inbox / f"bins_{day}.csv.gz")
    ragged = mishaps.RAGGED_FELLS_LINES if day == mishaps.BAD_FELLS_NIGHT else ()
    layouts.write_fells(layouts.fells_rows(by_layout["fells"]), inbox / f"fells_{day:%Y%m%d}.csv", day, ragged)
    layouts.write_isles(layouts.isles_rows(by_layout["isles"]), inbox / f"isles_{day:%Y%m%d}.tsv")
    layouts.write_hall(by_layout["hall"], inbox / f"hall_{day}.jsonl")
    count = bins.height + by_layout["fells"].height + len(ragged) + by_layout["isles"].height + by_layout["hall"].height
    if with_tarn:
        layouts.write_tarn(by_layout["tarn"], inbox / f"tarn_{day}.xlsx")
        count += by_layout["tarn"].height
    return count


def _write_summary(market: Market, index: int, inbox: Path) -> int:
    """The market as others saw it, the element that nobody lists included."""
    day = MONTH_ENDS[index]
    level = 1 + trend(day, "rounds")
    nowhere = pl.DataFrame({
        "part_code": [NOWHERE[0]], "colour_code": [NOWHERE[1]], "condition": ["new"], "lowest": [round(_NOWHERE_PRICE_E4 * level * 0.8)],
        "mean": [round(_NOWHERE_PRICE_E4 * level)], "quantity": [4], "sellers": [1], "observed_on": [day],
    })  # fmt: skip
    return layouts.write_ledger(market.month(index), inbox / f"ledger_{day:%Y-%m}.txt", nowhere)


def _write_odd_files(market: Market, inbox: Path) -> int:
    """A late correction, an exact copy of a file, and one that can't be read."""
    _, corrected_on, _ = mishaps.CORRECTION
    correction = mishaps.to_be_corrected(market.month(MONTH_ENDS.index(corrected_on)))
    layouts.write_bins(
        layouts.bins_rows(correction, revision=1, coverage="partial"), inbox / f"bins_correction_{corrected_on}.csv"
    )
    shutil.copyfile(inbox / "bins_2026-10-15.csv.gz", inbox / "bins_2026-10-15 (copy).csv.gz")
    (inbox / "letter from a vendor.doc").write_bytes(mishaps.UNREADABLE)
    return correction.height


if __name__ == "__main__":
    print(f"{make_exports(Path(sys.argv[1])):,} rows")
