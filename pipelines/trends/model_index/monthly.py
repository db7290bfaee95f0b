"""The monthly price index of models: what a designer's parts list costs, month after month, at the prices of each month.

Prices are purchasers' prices: with the tax and duty on goods as of the month, without shipping and fees.

The basket is fixed: the parts and colours of the list that holds in the latest month, also for months before that list. So the
index shows prices and nothing else. What a plan would have cost is another question (model_cost), and so is what buyers gained
by not buying as listed (cost_change).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.settings import Buyer
from pipelines.trends.index_numbers.bilateral import chained_index, direct_index, jevons, lowe_index, tornqvist
from pipelines.trends.index_numbers.contributions import lowe_contributions
from pipelines.trends.index_numbers.imputation import BoolArray
from pipelines.trends.index_numbers.multilateral import geks
from pipelines.trends.index_numbers.panel import FloatArray, Panel
from pipelines.trends.model_index.basket import BasketHistory, MonthsShown, basket_lines, needs_of
from pipelines.trends.model_index.breakdown import contributions
from pipelines.trends.model_index.vintages import NOTHING, Published, never_revised, published_of, tied
from pipelines.trends.months import month_before, month_of
from pipelines.trends.prices.element_prices import ELEMENT, prices_from_offers, usable_offers
from schemas.contract import Contract
from schemas.published.price_index import ELEMENT_PRICE, INDEX_BAND, INDEX_CONTRIBUTION, INDEX_VINTAGE, PRICE_INDEX
from schemas.validate import empty_frame, polars_schema, validate_typed

NEEDS_AT_ONCE = 4_000
"""Elements, counted once per model, whose prices are looked up together: more need more memory, fewer more time."""

WEIGHTED = ("lowe", "geks-tornqvist", "geks-tornqvist-bought")
"""The methods that the band spans: those that weight elements by what is needed or bought of them."""


BOUGHT_SCHEMA = pl.Schema(
    {
        "model_code": pl.String(),
        "buyer_code": pl.String(),
        "day": pl.Date(),
        "part_code": pl.String(),
        "colour_code": pl.String(),
        "quantity": pl.Int64(),
    }
)


@dataclass(frozen=True)
class Trends:
    """Frames of the contracts PRICE_INDEX, ELEMENT_PRICE, INDEX_BAND and INDEX_CONTRIBUTION."""

    index: pl.DataFrame
    lines: pl.DataFrame
    band: pl.DataFrame
    contribution: pl.DataFrame


@dataclass(frozen=True)
class PlansAndVintages:
    """What the index takes from plans and from earlier refreshes.

    Attributes:
        bought: BOUGHT_SCHEMA: the pieces that each month's plan uses; ``day`` is one of the market dates.
        vintages: contract INDEX_VINTAGE: levels published before.
    """

    bought: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=BOUGHT_SCHEMA))
    vintages: pl.DataFrame = field(default_factory=lambda: empty_frame(INDEX_VINTAGE))


def trends_of_models(
    inputs: WorkspaceInputs,
    models: Iterable[Model],
    buyer: Buyer,
    markets: Mapping[date, pl.DataFrame],
    goods_factors: pl.DataFrame,
    earlier: PlansAndVintages | None = None,
) -> Trends:
    """The indices of models' prices by several methods, the prices behind them, and what moved the headline.

    Methods, all 100 in the base month, the first whose coverage reaches the floor (or that of the vintages):

    - ``lowe``, the headline: the cost of the whole basket, missing prices imputed by the mean change of their part family.
    - ``geks-tornqvist``: windows of 25 months, joined by the mean splice on published values. Every shown month of a window is
      compared with every other, on the elements observed in both, weighted by the basket's quantities at each month's prices.
    - ``geks-tornqvist-bought``: the same, but weighted by what the month's plan uses (scenario ``cheapest``), in the colours,
      forms and versions of the list that it buys. It starts, at the headline's level, in the first month from which on every
      shown month has a plan.
    - ``jevons``: the plain geometric mean over the elements observed in the base month and the month itself, nothing imputed.
    - ``matched-chain``: months linked one by one by Törnqvist on the elements observed in both, to show how much chaining drifts.

    The basket's quantities never change. So on a market without gaps Laspeyres, Paasche, Fisher and Walsh would all equal
    ``lowe``, and so would GEKS on them; ``geks-tornqvist`` differs by terms of second order. The band between the weighted
    methods means something only where quantities move (``geks-tornqvist-bought``) or prices are missing. INDEX_BAND states which.

    Coverage is the priced share of the basket by its cost in the base month. A line that was never priced counts with the
    geometric mean price of its class. A month below ``report.coverage_floor`` is withheld: its levels, changes and contributions
    are null. If no month reaches the floor, all are withheld, and the month covered best is the base month.

    Args:
        inputs: settings and workspace tables (parts, colours, vendors, exchange_rates).
        models: their lists and settings; skipped sections are left out and quantities are those of all copies.
        buyer: whose currency and exchange margin count.
        markets: what could be bought, by date, one date in a month, as ``market_on`` gives it.
        goods_factors: of every date: what the buyer pays for goods per unit of displayed price
            (:func:`~pipelines.trends.prices.element_prices.element_prices`).
        earlier: the plans' quantities, and the levels published before.

    Raises:
        ValueError: two dates are in one month.
    """
    given = earlier or PlansAndVintages()
    days = sorted(markets)
    if len({month_of(day) for day in days}) < len(days):
        raise ValueError("two markets are of the same month")
    baskets = {model.model_code: basket_lines(model, days[-1]) for model in models} if days else {}
    baskets = {code: lines for code, lines in baskets.items() if lines.height}
    bought = given.bought.filter(pl.col("buyer_code") == buyer.buyer_code, pl.col("day").is_in(days))
    published = published_of(given.vintages.filter(pl.col("buyer_code") == buyer.buyer_code))
    found = [
        _trends_of_some(inputs, some, buyer, markets, goods_factors, bought, published) for some in _in_batches(baskets)
    ]

    def whole(contract: Contract, frames: list[pl.DataFrame]) -> pl.DataFrame:
        joined = pl.concat([empty_frame(contract), *frames])
        return validate_typed(contract, joined, where=f"trends, buyer {buyer.buyer_code}")

    return Trends(
        whole(PRICE_INDEX, [some.index for some in found]),
        whole(ELEMENT_PRICE, [some.lines for some in found]),
        whole(INDEX_BAND, [some.band for some in found]),
        whole(INDEX_CONTRIBUTION, [some.contribution for some in found]),
    )


def _in_batches(baskets: dict[str, pl.DataFrame]) -> Iterator[dict[str, pl.DataFrame]]:
    """The baskets in batches of at most NEEDS_AT_ONCE lines; a larger basket is a batch by itself."""
    some: dict[str, pl.DataFrame] = {}
    count = 0
    for code, lines in baskets.items():
        if some and count + lines.height > NEEDS_AT_ONCE:
            yield some
            some, count = {}, 0
        some[code] = lines
        count += lines.height
    if some:
        yield some


def _trends_of_some(
    inputs: WorkspaceInputs,
    baskets: dict[str, pl.DataFrame],
    buyer: Buyer,
    markets: Mapping[date, pl.DataFrame],
    goods_factors: pl.DataFrame,
    bought: pl.DataFrame,
    published: Mapping[tuple[str, str], Published],
) -> Trends:
    """Frames not yet checked against their contracts."""
    tables, days = inputs.tables, sorted(markets)
    needs = _with_model({code: needs_of(lines) for code, lines in baskets.items()})
    bought = bought.filter(pl.col("model_code").is_in(list(baskets)))
    most = bought.group_by("model_code", *ELEMENT).agg(pl.col("quantity").max()).select(needs.columns)
    needed = pl.concat([needs, most]).group_by(ELEMENT).agg(pl.col("quantity").max())
    offers = usable_offers(needed, markets, buyer, goods_factors, tables["exchange_rates"]).drop("need")
    kinds = tables["vendors"].select("vendor_code", "vendor_kind")
    offers = offers.join(kinds, on="vendor_code", how="left").with_columns(
        pl.col("vendor_kind").fill_null("independent")
    )
    by_model = _by_model(prices_from_offers(offers, needs, days, ("model_code",)))
    bought_prices = _by_model(prices_from_offers(offers, most, days, ("model_code",)))
    bought_by_model = _by_model(bought)
    index_parts, line_parts, band_parts, shown_parts = [], [], [], []
    for code, lines in baskets.items():
        history = BasketHistory.of(days, lines, by_model[code], tables["parts"])
        shown = MonthsShown.of(history, inputs.settings.report.coverage_floor)
        own = published.get((code, buyer.buyer_code), NOTHING)
        plans = _bought(days, bought_prices.get(code), bought_by_model.get(code), shown)
        levels = _levels(history, shown, plans, own)
        key = [pl.lit(code).alias("model_code"), pl.lit(buyer.buyer_code).alias("buyer_code")]
        index_parts.append(_index_rows(history, shown, levels, own).select(*key, pl.all()))
        line_parts.append(_line_rows(history, shown).select(*key, pl.all()))
        band_parts.append(_band_rows(history, shown, levels).select(*key, pl.all()))
        visible = [month for month, hidden in zip(history.months, shown.is_withheld, strict=True) if not hidden]
        shown_parts.append(pl.DataFrame({"month": visible}, schema={"month": pl.String}).select(*key, "month"))
    rows = pl.concat(line_parts)
    shares = contributions(rows, pl.concat(shown_parts), tables["parts"], tables["colours"])
    return Trends(
        pl.concat(index_parts),
        rows.select(ELEMENT_PRICE.columns),
        pl.concat(band_parts),
        shares.select(INDEX_CONTRIBUTION.columns),
    )


def _with_model(frames: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    return pl.concat([frame.select(pl.lit(code).alias("model_code"), pl.all()) for code, frame in frames.items()])


def _by_model(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    parts = frame.partition_by("model_code", as_dict=True, maintain_order=True, include_key=False)
    return {str(key[0]): part for key, part in parts.items()}


@dataclass(frozen=True)
class _Bought:
    """Prices and quantities of the elements that the months' plans use; ``rows``: which months the index has."""

    panel: Panel
    rows: BoolArray


def _bought(
    days: Sequence[date], prices: pl.DataFrame | None, bought: pl.DataFrame | None, shown: MonthsShown
) -> _Bought | None:
    """Elements bought in the months from which on every shown month has a plan; None for fewer than two months."""
    if prices is None or bought is None:
        return None
    planned = set(bought["day"])
    is_shown = ~shown.is_withheld
    has_plan = np.array([day in planned for day in days])
    lacking = np.flatnonzero(is_shown & ~has_plan)
    rows = is_shown & (np.arange(len(days)) > (lacking[-1] if lacking.size else -1))
    if rows.sum() < 2:
        return None
    used = bought.group_by("day", *ELEMENT).agg(pl.col("quantity").sum())
    whole = prices.join(used, on=["day", *ELEMENT], how="left", maintain_order="left")
    shape = (len(days), whole.height // len(days))
    quantities = whole["quantity"].fill_null(0).to_numpy().astype(np.float64).reshape(shape)
    observed = whole["element_price"].to_numpy().astype(np.float64).reshape(shape)
    codes = tuple("/".join(element) for element in whole.head(shape[1]).select(ELEMENT).iter_rows())
    return _Bought(Panel(tuple(map(month_of, days)), codes, observed, quantities), rows)


def _levels(
    history: BasketHistory, shown: MonthsShown, bought: _Bought | None, own: Published
) -> dict[str, FloatArray]:
    """Index levels by method, NaN where withheld or undefined."""
    months, is_shown = history.months, ~shown.is_withheld
    methods = ["geks-tornqvist", "jevons", "lowe", "matched-chain"]
    levels = {method: np.full(len(months), np.nan) for method in methods}
    if bought is not None:
        levels["geks-tornqvist-bought"] = np.full(len(months), np.nan)
    if not is_shown.any():
        return levels
    base_month = months[shown.base]
    visible, whole = history.panel.only(is_shown), history.completed_panel.only(is_shown)
    chain = chained_index(visible, tornqvist)
    anew = {
        "jevons": direct_index(visible, jevons, base_month),
        "lowe": lowe_index(whole, history.quantities, base_month),
        "matched-chain": chain / chain[visible.row(base_month)],
    }
    for method, relatives in anew.items():
        levels[method][is_shown] = tied(100 * relatives, visible.months, own.of(method))
    levels["geks-tornqvist"][is_shown] = never_revised(visible, geks, own.of("geks-tornqvist"), base_month)
    if bought is not None:
        panel, known = bought.panel.only(bought.rows), own.of("geks-tornqvist-bought")
        # A series that starts later starts at the headline's level: 100 in the base month.
        first = int(np.flatnonzero(bought.rows)[0])
        start = 1.0 if any(month in known for month in panel.months) else levels["lowe"][first] / 100
        own_levels = start * never_revised(panel, geks, known, panel.months[0])
        levels["geks-tornqvist-bought"][bought.rows] = own_levels
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


def _index_rows(
    history: BasketHistory, shown: MonthsShown, levels: Mapping[str, FloatArray], own: Published
) -> pl.DataFrame:
    months = history.months
    line_counts = history.on_lines(history.is_observed).sum(axis=1)
    # An earlier base stays while a published month ties the index to it.
    is_tied = any(
        month in own.of("lowe") for month, hidden in zip(months, shown.is_withheld, strict=True) if not hidden
    )
    base_month = own.base_month if is_tied and own.base_month else months[shown.base]
    shared: dict[str, Any] = {
        "month": months,
        "base_month": [base_month] * len(months),
        "basket_line_count": [history.lines.height] * len(months),
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
                "index_level": of_method,
                "change_1_month_pct": _change_pct(of_method, months, 1),
                "change_12_months_pct": _change_pct(of_method, months, 12),
            },
        )
        for method, of_method in levels.items()
    ]
    return pl.concat(frames).sort("month", "index_method")


def _line_rows(history: BasketHistory, shown: MonthsShown) -> pl.DataFrame:
    """Columns of ELEMENT_PRICE and supplier_kinds."""
    months, prices, lines = history.months, history.completed.prices, history.lines
    on_lines = {
        "element_price": prices,
        "is_imputed": history.completed.is_imputed,
        "price_change_pct": _change_pct(prices, months, 1),
        "market_vendor_count": history.market["market_vendor_count"].to_numpy().reshape(prices.shape),
        "market_quantity": history.market["market_quantity"].to_numpy().reshape(prices.shape),
    }
    columns: dict[str, Any] = {name: history.on_lines(values).ravel() for name, values in on_lines.items()}
    columns["contribution_points"] = _contribution_points(history, shown).ravel()
    columns["month"] = np.repeat(months, lines.height)
    for name in ("line_number", *ELEMENT, "quantity"):
        columns[name] = pl.concat([lines[name]] * len(months))
    at = np.arange(prices.size).reshape(prices.shape)
    kinds = history.market["supplier_kinds"].gather(history.on_lines(at).ravel())
    return _frame(ELEMENT_PRICE, columns).with_columns(kinds.alias("supplier_kinds"))


def _contribution_points(history: BasketHistory, shown: MonthsShown) -> FloatArray:
    """Percentage points of each line in the Lowe index's one-month change; NaN where there is no such change."""
    months = history.months
    prices = history.on_lines(history.completed.prices)
    quantities = history.lines["quantity"].to_numpy().astype(np.float64)
    has_price = np.isfinite(prices[0])
    points = np.full_like(prices, np.nan)
    for row in range(1, len(months)):
        is_next = months[row - 1] == month_before(months[row])
        if is_next and not shown.is_withheld[[row - 1, row]].any():
            points[row, has_price] = 100 * lowe_contributions(
                prices[row - 1, has_price], prices[row, has_price], quantities[has_price]
            )
    found: FloatArray = points
    return found


def _band_rows(history: BasketHistory, shown: MonthsShown, levels: Mapping[str, FloatArray]) -> pl.DataFrame:
    """Columns of INDEX_BAND for the months that are shown."""
    weighted = np.array([levels[method] for method in WEIGHTED if method in levels])
    has_gap = ~history.is_observed.all(axis=1) | ~history.is_observed[shown.base].all()
    nowhere = np.full(len(history.months), np.nan)
    moves = np.isfinite(levels.get("geks-tornqvist-bought", nowhere))
    words = {(False, False): "neither", (True, False): "gaps", (False, True): "quantities", (True, True): "both"}
    reasons = [words[bool(gap), bool(moved)] for gap, moved in zip(has_gap, moves, strict=True)]
    rows = np.flatnonzero(~shown.is_withheld & np.isfinite(weighted).any(axis=0))
    return _frame(
        INDEX_BAND,
        {
            "month": [history.months[row] for row in rows],
            "lowest_index_level": np.nanmin(weighted[:, rows], axis=0),
            "highest_index_level": np.nanmax(weighted[:, rows], axis=0),
            "band_reason": [reasons[row] for row in rows],
        },
    )


def _frame(contract: Any, columns: dict[str, Any]) -> pl.DataFrame:
    """Columns as the contract types them, NaN as null; the contract's columns that are not given are added by the caller."""
    schema = polars_schema(contract)
    frame = pl.DataFrame({name: columns[name] for name in contract.columns if name in columns})
    numbers = [name for name, kind in frame.schema.items() if kind == pl.Float64]
    return frame.with_columns(pl.col(numbers).fill_nan(None)).cast({n: schema[n] for n in frame.columns})
