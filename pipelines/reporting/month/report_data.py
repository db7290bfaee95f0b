"""The figures behind a month's charts, as CSV and Parquet beside the pages."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipelines.reporting.basis.csv_cells import without_formulas
from pipelines.reporting.basis.page_data import PageData
from schemas.contract import Contract
from schemas.published.availability import MODEL_AVAILABILITY
from schemas.published.over_time import NIGHTLY_COST, SEASONAL_PATTERN
from schemas.published.plans import MODEL_COST
from schemas.published.price_index import INDEX_BAND, INDEX_CONTRIBUTION, PRICE_CHANGE_DISTRIBUTION, PRICE_INDEX

COST_COLUMNS = (
    "priced_on", "model_code", "buyer_code", "scenario_code", "currency_code", "plan_status", "complete_cost",
    "landed_cost", "unfilled_estimate", "lower_bound", "piece_count", "unfilled_piece_count", "unfilled_estimate_count",
)  # fmt: skip


def write_data(page_data: PageData, month: str, folder: Path) -> list[Path]:
    """Write ``<name>.csv`` and ``<name>.parquet`` for each kind of chart, with nothing of a later month.

    ``costs``, ``price_index`` (with the band) and ``availability`` hold all months up to this one; ``contributions`` and
    ``price_changes`` the month's own; ``seasons`` and ``nights`` (costs of the last nights) are there for the latest month alone.
    """
    cut_off = page_data.last_date_in(month)
    until = pl.col("month") <= month
    frames = {
        "costs": page_data.table(MODEL_COST)
        .filter(pl.col("priced_on") <= pl.lit(cut_off, dtype=pl.Date()))
        .select(COST_COLUMNS)
        .sort(COST_COLUMNS[:4]),
        "price_index": _index(page_data).filter(until),
        "availability": _sorted(page_data, MODEL_AVAILABILITY).filter(until),
        "contributions": _sorted(page_data, INDEX_CONTRIBUTION).filter(pl.col("month") == month),
        "price_changes": _sorted(page_data, PRICE_CHANGE_DISTRIBUTION).filter(pl.col("month") == month),
    }
    if page_data.today is not None and month == f"{page_data.today:%Y-%m}":
        frames["seasons"] = _sorted(page_data, SEASONAL_PATTERN)
        frames["nights"] = _sorted(page_data, NIGHTLY_COST)
    written = []
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        if frame.is_empty():
            continue
        written += [folder / f"{name}.csv", folder / f"{name}.parquet"]
        frame.write_parquet(written[-1], compression="zstd")
        without_formulas(frame).write_csv(written[-2])
    return written


def _index(page_data: PageData) -> pl.DataFrame:
    """Levels that may be shown, with the band of their month."""
    band = page_data.table(INDEX_BAND)
    level = pl.when(~pl.col("is_withheld")).then("index_level").alias("index_level")
    return (
        _sorted(page_data, PRICE_INDEX)
        .with_columns(level)
        .join(band, on=INDEX_BAND.key, how="left", maintain_order="left")
    )


def _sorted(page_data: PageData, contract: Contract) -> pl.DataFrame:
    return page_data.table(contract).sort(contract.key)
