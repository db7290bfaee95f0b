"""The monthly price index of a model: what the designer's parts list costs, month after month, at the prices of each month.

One fixed basket: the listed parts and colours of the list that holds in the latest month, also for the months before there was
such a list, so that the index shows prices and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.settings import Buyer
from pipelines.trends.contributions import lowe_contributions
from pipelines.trends.element_prices import ELEMENT, element_prices
from pipelines.trends.imputation import BoolArray, Imputed, impute_class_mean
from pipelines.trends.index_numbers import FloatArray, Panel, direct_index, jevons, lowe_index, tornqvist
from pipelines.trends.months import month_before, month_of
from pipelines.trends.multilateral import geks
from schemas.published import ELEMENT_PRICE, PRICE_INDEX
from schemas.validate import empty_frame, polars_schema, validate_typed


def price_trends(
    inputs: WorkspaceInputs, model: Model, buyer: Buyer, markets: Mapping[date, pl.DataFrame]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The index of a model's prices by three methods, and the prices behind it, line by line.

    Methods, all 100 in the base month, the first whose coverage reaches the floor:

    - ``lowe``, the headline: the cost of the whole basket, missing prices imputed.
    - ``jevons``: the plain geometric mean over the elements observed in the base month and the month itself, nothing imputed.
    - ``geks-tornqvist``: every shown month against every other, on the elements observed in both, weighted by the basket's
      quantities at each month's prices. The quantities never change, so Laspeyres, Paasche, Fisher and Walsh would all be the same
      as ``lowe`` where nothing is missing, and so would GEKS on them; Törnqvist differs by second-order terms. On a market without
      gaps the three methods therefore differ by their weights only.

    Coverage is the share of the basket by its cost in the base month; a line that was never priced counts with the geometric mean
    price of its class. A month below ``report.coverage_floor`` is withheld, and all are if none reaches it (the month covered best
    then stands as base month): levels, changes and contributions are null.

    Args:
        inputs: settings and workspace tables (parts, vendor_terms, exchange_rates).
        model: its list and settings; skipped sections are left out and quantities are those of all copies.
        buyer: whose region, currency and exchange margin count.
        markets: what could be bought, by date, one date in a month, as ``market_on`` gives it.

    Returns:
        Frames of the contracts PRICE_INDEX and ELEMENT_PRICE; both empty if no list holds on the latest date.

    Raises:
        ValueError: two dates are in one month.
    """
    basket = basket_lines(model, max(markets)) if markets else None
    if basket is None or basket.is_empty():
        return empty_frame(PRICE_INDEX), empty_frame(ELEMENT_PRICE)
    if len({month_of(day) for day in markets}) < len(markets):
        raise ValueError("two markets are of the same month")
    needs = basket.group_by(ELEMENT).agg(pl.col("quantity").sum()).sort(ELEMENT)
    tables = inputs.tables
    found = element_prices(needs, markets, buyer, tables["vendor_terms"], tables["exchange_rates"])
    history = _History.of(sorted(markets), basket, needs, found, _families(needs, tables["parts"]))
    shown = _Shown.of(history, inputs.settings.report.coverage_floor)
    where = f"model {model.model_code}, buyer {buyer.buyer_code}"
    index = _index_rows(history, shown, basket).select(
        pl.lit(model.model_code).alias("model_code"), pl.lit(buyer.buyer_code).alias("buyer_code"), pl.all()
    )
    lines = _line_rows(history, shown, basket, found).select(
        pl.lit(model.model_code).alias("model_code"), pl.lit(buyer.buyer_code).alias("buyer_code"), pl.all()
    )
    return validate_typed(PRICE_INDEX, index, where=where), validate_typed(ELEMENT_PRICE, lines, where=where)


def basket_lines(model: Model, day: date) -> pl.DataFrame:
    """The parts list that holds on a date: line_number, part_code, colour_code, quantity (of all copies), by line number.

    As designed: neither freedoms nor amendments count, but sections that are not built do not either.
    """
    settings = model.settings
    chosen = pl.col("list_version") == (settings.version_on(day) or 0)
    built = ~pl.col("section_code").fill_null("").is_in(settings.skip_sections)
    copies = (pl.col("quantity") * settings.copy_count).alias("quantity")
    return model.parts_list.filter(chosen & built).sort("line_number").select("line_number", *ELEMENT, copies)


@dataclass(frozen=True)
class _History:
    """Prices of a basket's elements (columns) by month (rows): observed, completed, and what never had a price estimated."""

    panel: Panel
    completed: Imputed
    costs: FloatArray
    """Cost of each element's need in each month, NaN only where no element ever had a price."""
    column_of_line: list[int]
    """The column of the element on each line of the basket; lines of one element share it."""

    @staticmethod
    def of(
        days: list[date], basket: pl.DataFrame, needs: pl.DataFrame, found: pl.DataFrame, families: list[str]
    ) -> _History:
        shape = (len(days), needs.height)
        observed = found["element_price"].to_numpy().astype(np.float64).reshape(shape)
        quantities = needs["quantity"].to_numpy().astype(np.float64)
        codes = tuple("/".join(element) for element in needs.select(ELEMENT).iter_rows())
        panel = Panel(tuple(map(month_of, days)), codes, observed, np.broadcast_to(quantities, shape))
        completed = impute_class_mean(observed, families)
        costs = _with_estimates(completed.prices, families) * quantities
        column_of = {element: column for column, element in enumerate(needs.select(ELEMENT).iter_rows())}
        return _History(panel, completed, costs, [column_of[e] for e in basket.select(ELEMENT).iter_rows()])

    def on_lines(self, by_element: Any) -> Any:
        """Columns by element spread to columns by line."""
        return by_element[:, self.column_of_line]

    @property
    def quantities(self) -> FloatArray:
        return self.panel.quantities[0]

    @property
    def is_observed(self) -> BoolArray:
        return np.isfinite(self.panel.prices)

    def shares(self, chosen: BoolArray, base: int | None) -> FloatArray:
        """Per month the cost share of the chosen elements, at the base month's prices or at the month's own."""
        costs = self.costs if base is None else np.broadcast_to(self.costs[base], self.costs.shape)
        if not np.isfinite(costs).all():
            return np.zeros(len(costs))
        return np.clip((costs * chosen).sum(axis=1) / costs.sum(axis=1), 0.0, 1.0)


@dataclass(frozen=True)
class _Shown:
    """The base month's row, coverage of every month at its prices, and which months may be shown."""

    base: int
    coverage: FloatArray
    is_withheld: BoolArray

    @staticmethod
    def of(history: _History, floor: float) -> _Shown:
        own_coverage = history.shares(history.is_observed, None)
        enough = (own_coverage >= floor) & (own_coverage > 0)
        base = int(np.argmax(enough)) if enough.any() else int(np.argmax(own_coverage))
        coverage = history.shares(history.is_observed, base)
        return _Shown(base, coverage, (coverage < floor) | (not enough.any()))


def _families(needs: pl.DataFrame, parts: pl.DataFrame) -> list[str]:
    """The part family of each element, "" where it is not known: the class prices are imputed by."""
    known = needs.join(parts.select("part_code", "part_family"), on="part_code", how="left", maintain_order="left")
    return known["part_family"].fill_null("").to_list()


def _with_estimates(prices: FloatArray, families: list[str]) -> FloatArray:
    """Prices in which an element that never had one stands at the geometric mean of its class, or of all elements."""
    never = np.isnan(prices[0])
    if never.all() or not never.any():
        return prices
    estimated, family_of = prices.copy(), np.asarray(families)
    for item in np.flatnonzero(never):
        like = ~never & (family_of == families[item]) & (family_of != "")
        estimated[:, item] = np.exp(np.log(prices[:, like if like.any() else ~never]).mean(axis=1))
    return estimated


def _levels(history: _History, shown: _Shown) -> dict[str, FloatArray]:
    """Index levels by method, base month 100, NaN where withheld or undefined."""
    months = history.panel.months
    levels = {method: np.full(len(months), np.nan) for method in ("geks-tornqvist", "jevons", "lowe")}
    is_shown = ~shown.is_withheld
    if is_shown.any():
        base_month = months[shown.base]
        visible = history.panel.only(is_shown)
        whole = Panel(months, history.panel.item_codes, history.completed.prices, history.panel.quantities)
        levels["geks-tornqvist"][is_shown] = 100 * geks(visible, tornqvist, base_month)
        levels["jevons"][is_shown] = 100 * direct_index(visible, jevons, base_month)
        levels["lowe"][is_shown] = 100 * lowe_index(whole.only(is_shown), history.quantities, base_month)
    return levels


def _change_pct(values: FloatArray, months: tuple[str, ...], months_back: int) -> FloatArray:
    """Per cent change along the first axis against the row of the month so many months earlier; NaN where there is none."""
    row_of = {month: row for row, month in enumerate(months)}
    changes = np.full_like(values, np.nan)
    for row, month in enumerate(months):
        before = row_of.get(month_before(month, months_back))
        if before is not None:
            changes[row] = 100 * (values[row] / values[before] - 1)
    return changes


def _index_rows(history: _History, shown: _Shown, basket: pl.DataFrame) -> pl.DataFrame:
    months = history.panel.months
    line_counts = history.on_lines(history.is_observed).sum(axis=1)
    shared: dict[str, Any] = {
        "month": months,
        "base_month": [months[shown.base]] * len(months),
        "basket_line_count": [basket.height] * len(months),
        "priced_line_count": line_counts.astype(np.int64),
        "coverage_share": shown.coverage,
        "imputed_share": history.shares(history.completed.is_imputed, shown.base),
        "is_withheld": shown.is_withheld,
    }
    frames = [
        _frame(
            PRICE_INDEX,
            shared
            | {
                "index_method": [method] * len(months),
                "index_level": levels,
                "change_1_month_pct": _change_pct(levels, months, 1),
                "change_12_months_pct": _change_pct(levels, months, 12),
            },
        )
        for method, levels in _levels(history, shown).items()
    ]
    return pl.concat(frames).sort("month", "index_method")


def _line_rows(history: _History, shown: _Shown, basket: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    months, prices = history.panel.months, history.completed.prices
    on_lines = {
        "element_price": prices,
        "is_imputed": history.completed.is_imputed,
        "price_change_pct": _change_pct(prices, months, 1),
        "market_vendor_count": found["market_vendor_count"].to_numpy().reshape(prices.shape),
        "market_quantity": found["market_quantity"].to_numpy().reshape(prices.shape),
    }
    columns: dict[str, Any] = {name: history.on_lines(values).ravel() for name, values in on_lines.items()}
    columns["contribution_points"] = _contribution_points(history, shown, basket).ravel()
    columns["month"] = np.repeat(months, basket.height)
    for name in ("line_number", *ELEMENT, "quantity"):
        columns[name] = pl.concat([basket[name]] * len(months))
    return _frame(ELEMENT_PRICE, columns)


def _contribution_points(history: _History, shown: _Shown, basket: pl.DataFrame) -> FloatArray:
    """Percentage points of each line in the Lowe index's one-month change; NaN where there is no such change."""
    months = history.panel.months
    prices = history.on_lines(history.completed.prices)
    quantities = basket["quantity"].to_numpy().astype(np.float64)
    has_price = np.isfinite(prices[0])
    points = np.full_like(prices, np.nan)
    for row in range(1, len(months)):
        is_next = months[row - 1] == month_before(months[row])
        if is_next and not shown.is_withheld[[row - 1, row]].any():
            points[row, has_price] = 100 * lowe_contributions(
                prices[row - 1, has_price], prices[row, has_price], quantities[has_price]
            )
    return points


def _frame(contract: Any, columns: dict[str, Any]) -> pl.DataFrame:
    """Columns as the contract types them, NaN as null; the contract's columns that are not given are added by the caller."""
    schema = polars_schema(contract)
    frame = pl.DataFrame({name: columns[name] for name in contract.columns if name in columns})
    numbers = [name for name, kind in frame.schema.items() if kind == pl.Float64]
    return frame.with_columns(pl.col(numbers).fill_nan(None)).cast({n: schema[n] for n in frame.columns})
