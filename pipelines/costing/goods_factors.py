"""What a buyer pays for goods, per unit of their displayed price: with tax and duty, without shipping and fees.

It makes purchasers' prices of displayed ones. A purchaser's price is the amount that the buyer pays, taxes on the product
included and discounts that everyone gets taken off (System of National Accounts 2008, paragraphs 6.64 to 6.69; consumer
price indices are made of such prices: ILO and others, Consumer Price Index Manual, 2020; paragraph numbers from memory).

The rules are those of the landed cost for an order of any size, however small. Tax is added to the goods, or is inside the
displayed price. A discount counts if it begins at a goods value of 0, and so does duty. What begins at a higher value
depends on the whole order, and so do fixed charges: no element has them.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.terms_on import rows_on
from pipelines.inputs import WorkspaceInputs

FACTOR_SCHEMA = pl.Schema(
    {"day": pl.Date(), "buyer_code": pl.String(), "vendor_code": pl.String(), "goods_factor": pl.Float64()}
)


def goods_factors(inputs: WorkspaceInputs, days: Iterable[date]) -> pl.DataFrame:
    """The factor of every vendor that serves a buyer's region, by date, buyer and vendor.

    Args:
        inputs: gives the buyers, and the tables vendors, vendor_terms and border_charges.
        days: the dates.

    Returns:
        Columns of ``FACTOR_SCHEMA``, sorted by the first three. A vendor without terms for a buyer on a date is absent.
    """
    tables = inputs.tables
    region_of = dict(tables["vendors"].select("vendor_code", "vendor_region_code").iter_rows())
    found: list[tuple[date, str, str, float]] = []
    for day in days:
        for buyer in inputs.settings.buyer:
            border = rows_on(tables["border_charges"], ["vendor_region_code"], day, buyer).filter(
                pl.col("goods_from") == 0
            )
            duty_of = dict(border.select("vendor_region_code", "duty_pct").iter_rows())
            for row in rows_on(tables["vendor_terms"], ["vendor_code"], day, buyer).iter_rows(named=True):
                code = row["vendor_code"]
                duty = Fraction(duty_of.get(region_of.get(code), 0)) / 100
                found.append((day, buyer.buyer_code, code, float(_with_tax(row) + duty)))
    return pl.DataFrame(found, FACTOR_SCHEMA, orient="row").sort("day", "buyer_code", "vendor_code")


def _with_tax(terms: dict[str, Any]) -> Fraction:
    """Goods and the tax on them, per unit of displayed price; duty is charged on the displayed price and comes on top."""
    discount = Fraction(terms["discount_pct"]) / 100 if terms["discount_from"] <= 0 else Fraction(0)
    added_tax = Fraction(0) if terms["tax_on"] == "included" else Fraction(terms["tax_rate_pct"]) / 100
    return (1 - discount) * (1 + added_tax)
