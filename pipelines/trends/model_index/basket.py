"""The basket behind a model's index: its lines, their prices by month, and which months may be shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipelines.inputs import Model
from pipelines.trends.index_numbers.imputation import BoolArray, Imputed, impute_class_mean
from pipelines.trends.index_numbers.panel import FloatArray, Panel
from pipelines.trends.months import month_of
from pipelines.trends.prices.element_prices import ELEMENT


def basket_lines(model: Model, day: date) -> pl.DataFrame:
    """The parts list that holds on a date: line_number, part_code, colour_code, quantity (of all copies), by line number.

    As designed: neither flexibility nor amendments count, and sections that are not built are left out.
    """
    settings = model.settings
    chosen = pl.col("list_version") == (settings.version_on(day) or 0)
    built = ~pl.col("section_code").fill_null("").is_in(settings.skip_sections)
    copies = (pl.col("quantity") * settings.copy_count).alias("quantity")
    return model.parts_list.filter(chosen & built).sort("line_number").select("line_number", *ELEMENT, copies)


def needs_of(lines: pl.DataFrame) -> pl.DataFrame:
    """A basket's elements: part_code, colour_code and quantity, one row each, sorted."""
    return lines.group_by(ELEMENT).agg(pl.col("quantity").sum()).sort(ELEMENT)


@dataclass(frozen=True)
class BasketHistory:
    """Prices of a basket's elements (columns) by month (rows): observed, imputed, estimated where never observed."""

    lines: pl.DataFrame
    panel: Panel
    completed: Imputed
    costs: FloatArray
    """Cost of each element's need in each month, NaN only where no element ever had a price."""
    column_of_line: list[int]
    """The column of the element on each line of the basket; lines of one element share it."""
    market: pl.DataFrame
    """element_price, market_vendor_count, market_quantity and supplier_kinds by month and element, as the columns above."""

    @staticmethod
    def of(days: Sequence[date], lines: pl.DataFrame, found: pl.DataFrame, parts: pl.DataFrame) -> BasketHistory:
        """Arrange a basket's prices.

        Args:
            days: one date per month, in order.
            lines: as :func:`basket_lines` gives them.
            found: rows of :func:`~pipelines.trends.prices.element_prices.prices_from_offers`, of every date and element of the basket.
            parts: contract PARTS; gives the families by which prices are imputed.
        """
        needs = needs_of(lines)
        families = _families(needs, parts)
        shape = (len(days), needs.height)
        observed = found["element_price"].to_numpy().astype(np.float64).reshape(shape)
        quantities = needs["quantity"].to_numpy().astype(np.float64)
        codes = tuple("/".join(element) for element in needs.select(ELEMENT).iter_rows())
        panel = Panel(tuple(map(month_of, days)), codes, observed, np.broadcast_to(quantities, shape))
        completed = impute_class_mean(observed, families)
        costs = _with_estimates(completed.prices, families) * quantities
        column_of = {element: column for column, element in enumerate(needs.select(ELEMENT).iter_rows())}
        columns = [column_of[element] for element in lines.select(ELEMENT).iter_rows()]
        return BasketHistory(lines, panel, completed, costs, columns, found)

    @property
    def months(self) -> tuple[str, ...]:
        """The months, in order."""
        return self.panel.months

    @property
    def quantities(self) -> FloatArray:
        """Pieces needed of each element."""
        found: FloatArray = self.panel.quantities[0]
        return found

    @property
    def is_observed(self) -> BoolArray:
        """Which elements had a price in which month."""
        return np.isfinite(self.panel.prices)

    @property
    def completed_panel(self) -> Panel:
        """The panel with missing prices imputed."""
        return Panel(self.months, self.panel.item_codes, self.completed.prices, self.panel.quantities)

    def on_lines(self, by_element: Any) -> Any:
        """Columns by element spread to columns by line."""
        return by_element[:, self.column_of_line]

    def shares(self, chosen: BoolArray, base: int | None) -> FloatArray:
        """Per month the cost share of the chosen elements, at the base month's prices or at the month's own."""
        costs = self.costs if base is None else np.broadcast_to(self.costs[base], self.costs.shape)
        if not np.isfinite(costs).all():
            return np.zeros(len(costs))
        found: FloatArray = np.clip((costs * chosen).sum(axis=1) / costs.sum(axis=1), 0.0, 1.0)
        return found


@dataclass(frozen=True)
class MonthsShown:
    """The base month's row, coverage of every month at its prices, and which months may be shown."""

    base: int
    coverage: FloatArray
    is_withheld: BoolArray

    @staticmethod
    def of(history: BasketHistory, floor: float) -> MonthsShown:
        """Months whose coverage, at the prices of the base month, reaches the floor; see monthly.trends_of_models."""
        own_coverage = history.shares(history.is_observed, None)
        enough = (own_coverage >= floor) & (own_coverage > 0)
        base = int(np.argmax(enough)) if enough.any() else int(np.argmax(own_coverage))
        coverage = history.shares(history.is_observed, base)
        return MonthsShown(base, coverage, (coverage < floor) | (not enough.any()))


def _families(needs: pl.DataFrame, parts: pl.DataFrame) -> list[str]:
    """The part family of each element, "" where it is not known: the class prices are imputed by."""
    known = needs.join(parts.select("part_code", "part_family"), on="part_code", how="left", maintain_order="left")
    return known["part_family"].fill_null("").to_list()


def _with_estimates(prices: FloatArray, families: list[str]) -> FloatArray:
    """Prices in which an element that never had one has the geometric mean of its class, or of all elements."""
    never = np.isnan(prices[0])
    if never.all() or not never.any():
        return prices
    estimated, family_of = prices.copy(), np.asarray(families)
    for item in np.flatnonzero(never):
        like = ~never & (family_of == families[item]) & (family_of != "")
        estimated[:, item] = np.exp(np.log(prices[:, like if like.any() else ~never]).mean(axis=1))
    return estimated
