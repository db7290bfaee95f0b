"""Vintages: levels of an index as first published, to which later levels are joined and with which they are compared.

A *vintage* is a month's level as first published, with the date and the base month. The first month that is both in view and
published ties the index to its earlier base. So levels do not jump when the months in view move on. ``lowe``, ``jevons`` and
``matched-chain`` are calculated anew each night from all that is known by then. A level that differs from its vintage is shown,
and listed as a revision. The GEKS indices are never revised: published levels stay, and a new month is joined to them by the
mean splice on published values.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipelines.trends.index_numbers.panel import FloatArray, Panel
from pipelines.trends.index_numbers.splicing import WINDOW_MONTHS, WindowIndex, extended, rolling_index
from schemas.published.price_index import INDEX_REVISION, INDEX_VINTAGE
from schemas.validate import empty_frame, polars_schema

SAME_LEVEL = 1e-6
"""Levels that differ by less index points are the same: the last bits of a sum are no revision."""


@dataclass(frozen=True)
class Published:
    """The published levels of one model and buyer, by method and month, and the base month they share."""

    levels: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    base_month: str | None = None

    def of(self, method: str) -> Mapping[str, float]:
        """Levels by month of one method; empty if none was published."""
        return self.levels.get(method, {})


NOTHING = Published()


def published_of(vintages: pl.DataFrame) -> dict[tuple[str, str], Published]:
    """Vintages by model and buyer.

    Args:
        vintages: contract INDEX_VINTAGE.
    """
    found: dict[tuple[str, str], dict[str, dict[str, float]]] = {}
    bases: dict[tuple[str, str], str] = {}
    columns = (
        "model_code",
        "buyer_code",
        "index_method",
        "month",
        "first_published_level",
        "first_published_base_month",
    )
    for model, buyer, method, month, level, base in vintages.sort(INDEX_VINTAGE.key).select(columns).iter_rows():
        found.setdefault((model, buyer), {}).setdefault(method, {})[month] = level
        # Of several bases the latest counts: an older one had no month in common with it.
        bases[model, buyer] = max(base, bases.get((model, buyer), base))
    return {key: Published(levels, bases[key]) for key, levels in found.items()}


def tied(levels: FloatArray, months: tuple[str, ...], published: Mapping[str, float]) -> FloatArray:
    """Levels on the base of the published ones: equal in the first month that both have; as they are if there is none."""
    for row, month in enumerate(months):
        if month in published and np.isfinite(levels[row]):
            found: FloatArray = levels * (published[month] / levels[row])
            return found
    return levels


def never_revised(
    panel: Panel, index: WindowIndex, published: Mapping[str, float], base_month: str, window: int = WINDOW_MONTHS
) -> FloatArray:
    """A rolling index whose published levels stay; each other month is joined to the months before it.

    Args:
        panel: the months that are shown, in order.
        index: the multilateral index of a window.
        published: levels by month, 100 in an earlier base month; if empty, the series starts with its own first window.
        base_month: the month that is 100 if nothing was published.

    Returns:
        Levels by month; NaN in months before the first published one, because nothing joins them to it.
    """
    months = panel.months
    if not any(month in published for month in months):
        levels = rolling_index(panel, index, window, "mean")
        found: FloatArray = 100 * levels / levels[months.index(base_month)]
        return found
    levels = np.array([published.get(month, np.nan) for month in months])
    rows = np.arange(len(months))
    for row in np.flatnonzero(np.isnan(levels)):
        if row and np.isfinite(levels[max(0, row - window + 1) : row]).any():
            newest = index(panel.only((rows > row - window) & (rows <= row)))
            levels[row] = extended(levels[max(0, row - window + 1) : row], newest, "mean")
    return levels


def new_vintages(
    price_index: pl.DataFrame, known: pl.DataFrame, list_versions: Mapping[str, int], day: date
) -> pl.DataFrame:
    """The months that a refresh publishes for the first time: those that ended before the month of its priced date.

    Args:
        price_index: contract PRICE_INDEX, as published.
        known: contract INDEX_VINTAGE: all that were stored before.
        list_versions: by model, the version of the list that the index prices.
        day: the priced date.

    Returns:
        Contract INDEX_VINTAGE; withheld months are not in it.
    """
    versions = pl.DataFrame(
        {"model_code": list(list_versions), "list_version": list(list_versions.values())},
        schema={"model_code": pl.String, "list_version": pl.Int64},
    )
    is_over = pl.col("month") < f"{day:%Y-%m}"
    return (
        price_index.filter(is_over & pl.col("index_level").is_not_null())
        .join(known, on=INDEX_VINTAGE.key, how="anti")
        .join(versions, on="model_code")
        .select(
            *INDEX_VINTAGE.key,
            pl.lit(day).alias("first_published_on"),
            pl.col("index_level").alias("first_published_level"),
            pl.col("base_month").alias("first_published_base_month"),
            "list_version",
        )
        .select(INDEX_VINTAGE.columns)
        .cast(polars_schema(INDEX_VINTAGE))
        .sort(INDEX_VINTAGE.key)
    )


def revisions(price_index: pl.DataFrame, vintages: pl.DataFrame, list_versions: Mapping[str, int]) -> pl.DataFrame:
    """Months whose level is not the one first published (INDEX_REVISION); null where the month is withheld now.

    Args:
        price_index: contract PRICE_INDEX, as calculated now.
        vintages: contract INDEX_VINTAGE.
        list_versions: by model, the version of the list that the index prices now.
    """
    if vintages.is_empty():
        return empty_frame(INDEX_REVISION)
    now = price_index.select(*INDEX_VINTAGE.key, "index_level")
    points = pl.col("index_level") - pl.col("first_published_level")
    same_list = pl.col("list_version") == pl.col("model_code").replace_strict(
        dict(list_versions), default=None, return_dtype=pl.Int64
    )
    both: Any = vintages.join(now, on=INDEX_VINTAGE.key).with_columns(
        revision_points=points,
        revision_reason=pl.when(same_list).then(pl.lit("prices")).otherwise(pl.lit("list")),
    )
    moved = pl.col("index_level").is_null() | (pl.col("revision_points").abs() > SAME_LEVEL)
    result: pl.DataFrame = both.filter(moved).select(INDEX_REVISION.columns).sort(INDEX_REVISION.key)
    return result
