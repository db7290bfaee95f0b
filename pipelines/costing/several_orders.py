"""Several orders with one vendor in one plan: each is planned and charged as if it were a vendor's own, from shared stock.

Within a plan an order's vendor_code is its *order code*: the vendor's own code for the first order, and the code with the
order's number for the others. The offers of these have the number in their offer_id too. Tables that people read have two
columns instead: vendor_code and order_number.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import polars as pl

from pipelines.costing.terms import VendorTerms

SEPARATOR = "\x1f"
"""Stands between a code and the order's number: the unit separator, which no code from a file contains."""


def order_code(code: str, order_number: int) -> str:
    """The vendor_code or offer_id of the vendor's first, second, ... order, counted from 1."""
    return code if order_number == 1 else f"{code}{SEPARATOR}{order_number}"


def vendor_of(code: str) -> str:
    """The vendor's own code of an order code; likewise the offer's own offer_id."""
    return code.partition(SEPARATOR)[0]


def order_number_of(code: str) -> int:
    """Which of its vendor's orders an order code stands for, counted from 1."""
    return int(code.partition(SEPARATOR)[2] or 1)


def in_words(code: str) -> str:
    """An order code as people read it: the vendor's code, and the number from the second order on."""
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
    """A table with order codes in the place of ``order_number``: in vendor_code and, where there is one, offer_id."""
    is_further, number = pl.col("order_number") > 1, pl.col("order_number").cast(pl.String)
    return frame.with_columns(
        pl.when(is_further).then(pl.concat_str(pl.col(name), number, separator=SEPARATOR)).otherwise(name).alias(name)
        for name in ("vendor_code", "offer_id")
        if name in frame.columns
    ).drop("order_number")


def with_order_numbers(frame: pl.DataFrame) -> pl.DataFrame:
    """The inverse of ``with_order_codes``: own codes of vendors, own ids of offers, and the column ``order_number``."""
    names = [name for name in ("vendor_code", "offer_id") if name in frame.columns]
    parts = pl.col("vendor_code").str.split_exact(SEPARATOR, 1)
    return frame.with_columns(
        parts.struct.field("field_1").cast(pl.Int64).fill_null(1).alias("order_number"),
        *(pl.col(name).str.split_exact(SEPARATOR, 1).struct.field("field_0").alias(name) for name in names),
    )
