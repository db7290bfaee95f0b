"""Unit values: one price for one item sold at several prices in a month."""

from __future__ import annotations

import polars as pl


def unit_values(rows: pl.DataFrame) -> pl.DataFrame:
    """The mean price per piece, sum(p q) / sum(q), of every item in every month, over its sellers or transactions.

    That is right for one homogeneous item, as an element is, whoever sells it. Over unlike items it would measure what was
    bought and not what prices did, so there is no unit value index of a basket here.

    Args:
        rows: month, item_code, price, quantity (0 or more); any number of rows per month and item.

    Returns:
        One row per month and item, sorted: month, item_code, price (Float64), quantity (Float64, the sum). Rows without a price
        or a quantity do not count. If no priced row of an item has a quantity above 0, its price is the plain mean of these
        rows and its quantity 0.
    """
    price, quantity = pl.col("price").cast(pl.Float64), pl.col("quantity").cast(pl.Float64).fill_null(0.0)
    priced = rows.select("month", "item_code", price, quantity).filter(pl.col("price").is_not_null())
    bought = pl.col("quantity").sum()
    value = (pl.col("price") * pl.col("quantity")).sum()
    return (
        priced.group_by("month", "item_code")
        .agg(
            pl.when(bought > 0).then(value / bought).otherwise(pl.col("price").mean()).alias("price"),
            bought.alias("quantity"),
        )
        .sort("month", "item_code")
    )
