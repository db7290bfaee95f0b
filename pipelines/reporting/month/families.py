"""Movers by part family: how many elements rose and fell, how far in the middle, and the largest mover of each family."""

from __future__ import annotations

from statistics import median

import polars as pl

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, percent
from pipelines.settings import Buyer
from pipelines.trends.prices.movers import NO_CHANGE_PCT, movers

ALL = 1_000_000
"""More movers than any market has elements."""


def families_table(page_data: PageData, buyer: Buyer, month: str) -> Table | None:
    """A row per family of parts, the one whose median price moved furthest first.

    An element is named only if a model that publishes its lines uses it. Prices that stood still count in the median.
    """
    prices = page_data.element_prices(buyer.buyer_code, month)
    moved = movers(prices, month, buyer.buyer_code, ALL)
    if not moved.height:
        return None
    family = (
        pl.col("part_code").replace_strict(page_data.part_families, default=None, return_dtype=pl.String).fill_null("")
    )
    still = (
        prices.filter(
            (pl.col("buyer_code") == buyer.buyer_code)
            & (pl.col("month") == month)
            & ~pl.col("is_imputed")
            & (pl.col("price_change_pct").abs() <= NO_CHANGE_PCT)
        )
        .unique(("part_code", "colour_code"))
        .join(moved, on=("part_code", "colour_code"), how="anti")
    )
    columns_kept = ("part_code", "colour_code", "price_change_pct")
    unmoved = still.select("part_code", "colour_code", pl.lit(0.0).alias("price_change_pct"))
    every = pl.concat([moved.select(columns_kept), unmoved]).with_columns(family.alias("part_family"))
    rows = []
    for (name,), own in every.partition_by("part_family", as_dict=True).items():
        part, colour, most = own.sort(
            pl.col("price_change_pct").abs(), "part_code", "colour_code", descending=[True, False, False]
        ).row(0)[:3]
        largest = percent(most, signed=True) if most else NOTHING
        if most and (part, colour) in page_data.publishable_elements:
            largest += f" {page_data.element_name(part, colour)}"
        changes = own["price_change_pct"].to_list()
        rows.append((median(changes), str(name), own, largest))
    rows.sort(key=lambda row: (-abs(row[0]), row[1]))
    cells = tuple(
        (
            name or "no family",
            count(own.height),
            count(sum(each > 0 for each in own["price_change_pct"])),
            count(sum(each < 0 for each in own["price_change_pct"])),
            percent(middle, signed=True),
            largest,
        )
        for middle, name, own, largest in rows
    )
    headings = columns("Part family", "#Elements", "#Rose", "#Fell", "#Median", "#Largest")
    return Table("Prices by part family since the month before", headings, cells, is_stacked=True)
