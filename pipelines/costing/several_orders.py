"""Several orders with one vendor in one plan: each is planned and charged like a vendor's of its own, from the stock they share.

Within a plan an order's vendor_code is its *order code*: the vendor's own code for the first order, for further ones the code
and the order's number. The offers of a further order have their offer_id with the number likewise. Tables that people read have
both apart: vendor_code and order_number.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import polars as pl

from pipelines.costing.terms import VendorTerms

SEPARATOR = "\x1f"
"""Between a code and the number of a further order; the separator of text units, which no code from a file has."""


def order_code(code: str, order_number: int) -> str:
    """A vendor_code or offer_id as that of one order, from 1."""
    return code if order_number == 1 else f"{code}{SEPARATOR}{order_number}"


def vendor_of(code: str) -> str:
    """The vendor_code of an order code, or the offer_id of an order's."""
    return code.partition(SEPARATOR)[0]


def order_number_of(code: str) -> int:
    """Which order of its vendor an order code stands for, from 1."""
    return int(code.partition(SEPARATOR)[2] or 1)


def in_words(code: str) -> str:
    """An order code as people are told it."""
    number = order_number_of(code)
    return code if number == 1 else f"{vendor_of(code)}, order {number}"


def orders_of(terms: VendorTerms) -> list[VendorTerms]:
    """A vendor's terms for each of the orders it takes, under their order codes."""
    code, numbers = terms.vendor_code, range(1, terms.maximum_order_count + 1)
    return [terms if number == 1 else replace(terms, vendor_code=order_code(code, number)) for number in numbers]


def first_orders(terms: Iterable[VendorTerms]) -> list[VendorTerms]:
    """The terms of first orders: one per vendor."""
    return [each for each in terms if order_number_of(each.vendor_code) == 1]


def vendors_of(codes: Iterable[str]) -> list[str]:
    """The vendors of some order codes, sorted."""
    return sorted({vendor_of(code) for code in codes})


def with_order_codes(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of a table that has ``order_number`` with order codes instead: in vendor_code and, where it has them, offer_id."""
    is_further, number = pl.col("order_number") > 1, pl.col("order_number").cast(pl.String)
    return frame.with_columns(
        pl.when(is_further).then(pl.concat_str(pl.col(name), number, separator=SEPARATOR)).otherwise(name).alias(name)
        for name in ("vendor_code", "offer_id")
        if name in frame.columns
    ).drop("order_number")


def with_order_numbers(frame: pl.DataFrame) -> pl.DataFrame:
    """The inverse: the vendors' own codes, the offers' own ids, and the column ``order_number``."""
    names = [name for name in ("vendor_code", "offer_id") if name in frame.columns]
    parts = pl.col("vendor_code").str.split_exact(SEPARATOR, 1)
    return frame.with_columns(
        parts.struct.field("field_1").cast(pl.Int64).fill_null(1).alias("order_number"),
        *(pl.col(name).str.split_exact(SEPARATOR, 1).struct.field("field_0").alias(name) for name in names),
    )
