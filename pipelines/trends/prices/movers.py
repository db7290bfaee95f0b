"""Which elements' prices moved most in a month."""

from __future__ import annotations

import polars as pl

from pipelines.trends.months import month_before

_ELEMENT = ("part_code", "colour_code")
NO_CHANGE_PCT = 1e-9  # means of equal prices may differ in their last bits


def movers(
    element_price: pl.DataFrame, month: str, buyer_code: str, count: int, model_code: str | None = None
) -> pl.DataFrame:
    """The largest rises and falls against the month before, of one model or of all.

    Only prices observed in both months count: an imputed price moves with its class and is no news of its own. An element that is
    on several lines, or in several models, appears once, with the line that needs most of it, because prices depend on the need.

    Args:
        element_price: contract ELEMENT_PRICE, at least of the month and the month before.
        month: the month, such as 2026-10.
        buyer_code: whose prices.
        count: most rises, and most falls, to give.
        model_code: the model; all models if None.

    Returns:
        The columns of ELEMENT_PRICE after mover_direction (rise or fall) and mover_rank (Int64, 1 the largest); rises first.
    """
    rows = element_price.filter(pl.col("buyer_code") == buyer_code)
    if model_code is not None:
        rows = rows.filter(pl.col("model_code") == model_code)
    observed = rows.filter(~pl.col("is_imputed") & pl.col("element_price").is_not_null())
    line = ("model_code", "line_number")
    moved = (
        observed.filter((pl.col("month") == month) & (pl.col("price_change_pct").abs() > NO_CHANGE_PCT))
        .join(observed.filter(pl.col("month") == month_before(month)), on=line, how="semi")
        .sort("quantity", *line, descending=[True, False, False])
        .unique(_ELEMENT, keep="first", maintain_order=True)
    )
    rises = moved.filter(pl.col("price_change_pct") > 0).sort(
        "price_change_pct", *_ELEMENT, descending=[True, False, False]
    )
    falls = moved.filter(pl.col("price_change_pct") < 0).sort("price_change_pct", *_ELEMENT)
    ranked = pl.int_range(1, pl.len() + 1, dtype=pl.Int64).alias("mover_rank")
    return pl.concat(
        part.head(count).select(pl.lit(name).alias("mover_direction"), ranked, *element_price.columns)
        for name, part in (("rise", rises), ("fall", falls))
    )
