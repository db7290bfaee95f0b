"""Past purchases as published, completed with what the landed cost needs."""

from __future__ import annotations

from decimal import Decimal

import polars as pl

from pipelines.costing.terms_on import SIZES, assumed_size

OFFER = ("vendor_code", "part_code", "colour_code", "condition", "listing_code")
"""What names an offer in tables of different dates."""


def with_assortments_and_sizes(bought: pl.DataFrame, market: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Rows of plan_purchase with ``assortment_code`` (empty where unknown) and the sizes of their parts, assumed where unknown.

    Args:
        bought: contract PLAN_PURCHASE, of one date.
        market: PRICE_HISTORY columns: what could be bought on that date.
        parts: contract PARTS.
    """
    assortments = market.unique(OFFER, keep="first", maintain_order=True).select(*OFFER, "assortment_code")
    sizes = [pl.col(name).fill_null(assumed_size(parts, name) or Decimal(0)) for name in SIZES]
    return (
        bought.join(assortments, on=OFFER, how="left")
        .join(parts.select("part_code", *SIZES), on="part_code", how="left")
        .with_columns(*sizes, pl.col("assortment_code").fill_null(""))
    )
