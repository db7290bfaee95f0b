"""Prices and quantities of items by month, from which every index is made.

A :class:`Panel` holds them for all items and months. A :class:`Pair` holds the items that two months have in common, so that
no item can enter one side of a ratio only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Pair:
    """The items priced in both of two months: four arrays of one length, prices above 0, quantities 0 or more."""

    price_base: FloatArray
    price: FloatArray
    quantity_base: FloatArray
    quantity: FloatArray

    @property
    def relatives(self) -> FloatArray:
        """Price of the month over price of the base month, per item."""
        return self.price / self.price_base


@dataclass(frozen=True)
class Panel:
    """Prices and quantities by month (rows, in order) and item (columns); NaN where an item has no price in a month."""

    months: tuple[str, ...]
    item_codes: tuple[str, ...]
    prices: FloatArray
    quantities: FloatArray

    @staticmethod
    def from_frame(frame: pl.DataFrame, months: Sequence[str] | None = None) -> Panel:
        """The panel of a frame with month, item_code, price and quantity; items are sorted, months too or as given.

        A row without a price counts as no row, a row without a quantity as quantity 0.

        Raises:
            ValueError: two rows share a month and item, a price is not above 0, or a quantity is below 0.
        """
        if frame.select(pl.struct("month", "item_code").is_duplicated().any()).item():
            raise ValueError("two rows share a month and an item")
        rows = frame.select("month", "item_code", pl.col("price", "quantity").cast(pl.Float64))
        if rows.filter((pl.col("price") <= 0) | pl.col("price").is_nan() | pl.col("price").is_infinite()).height:
            raise ValueError("prices of an index must be finite and above 0")
        if rows.filter((pl.col("quantity") < 0) | ~pl.col("quantity").is_finite()).height:
            raise ValueError("quantities of an index must be finite and 0 or more")
        months = sorted(set(frame["month"])) if months is None else months
        item_codes = sorted(set(frame["item_code"]))
        prices, quantities = np.full((2, len(months), len(item_codes)), np.nan)
        row_of, column_of = {m: n for n, m in enumerate(months)}, {i: n for n, i in enumerate(item_codes)}
        at = [row_of[m] for m in rows["month"]], [column_of[i] for i in rows["item_code"]]
        prices[at] = rows["price"].fill_null(math.nan).to_numpy()
        quantities[at] = rows["quantity"].to_numpy()
        return Panel(tuple(months), tuple(item_codes), prices, np.nan_to_num(quantities))

    def row(self, month: str) -> int:
        """The row of a month.

        Raises:
            ValueError: the panel does not have the month.
        """
        return self.months.index(month)

    def pair(self, base: int, row: int) -> Pair:
        """The items that two months have in common, by the rows of the months."""
        matched = np.isfinite(self.prices[base]) & np.isfinite(self.prices[row])
        return Pair(
            self.prices[base, matched], self.prices[row, matched],
            self.quantities[base, matched], self.quantities[row, matched],
        )  # fmt: skip

    def only(self, rows: npt.NDArray[np.bool_]) -> Panel:
        """The panel of the chosen months, with all items."""
        months = tuple(month for month, chosen in zip(self.months, rows, strict=True) if chosen)
        return Panel(months, self.item_codes, self.prices[rows], self.quantities[rows])
