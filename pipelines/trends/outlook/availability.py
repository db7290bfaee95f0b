"""Whether a model can be built: what the market offers of each element, whether it falls, and how long it may last.

Everything is as the designer lists it. Neither flexibility of colour nor substitutes count, so the figures are about the market
and not about our decisions. Price summaries name no vendors: their figures are shown beside and count for nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.settings import Buyer
from pipelines.trends.model_index.basket import basket_lines
from pipelines.trends.outlook.theil_sen import theil_sen
from pipelines.trends.prices.element_prices import ELEMENT, usable_offers
from schemas.contract import Contract
from schemas.published.availability import ELEMENT_AVAILABILITY, MODEL_AVAILABILITY
from schemas.validate import empty_frame, polars_schema, validate_typed

TREND_DATES = 13
"""Dates in a trend: a year of month ends and the one before."""
LEAST_TREND_DATES = 6
"""With fewer dates no 90 % interval of a Theil-Sen slope is worth showing (common practice, no source)."""
DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True)
class Availability:
    """Frames of the contracts ELEMENT_AVAILABILITY and MODEL_AVAILABILITY."""

    elements: pl.DataFrame
    models: pl.DataFrame


def availability(
    inputs: WorkspaceInputs,
    markets: Mapping[date, pl.DataFrame],
    last_seen: pl.DataFrame,
    summaries: pl.DataFrame,
    goods_factors: pl.DataFrame,
) -> Availability:
    """Availability of every model to every buyer: of its elements on the latest date, of the whole in every month.

    Args:
        inputs: settings, models, and the tables vendor_terms, exchange_rates and element_status.
        markets: what could be bought, by date, as ``market_on`` gives it.
        last_seen: every offer ever seen up to the latest date, as ``last_seen_prices`` gives it.
        summaries: the latest price summaries of that date, as ``summary_prices`` gives them.
        goods_factors: which vendors serve a buyer on a date (:func:`~pipelines.trends.prices.element_prices.element_prices`).
    """
    if not markets:
        return Availability(empty_frame(ELEMENT_AVAILABILITY), empty_frame(MODEL_AVAILABILITY))
    day = max(markets)
    # A date without any offer at all lies before the history begins, or nothing was confirmed: unknown, not sold out.
    days = [on for on in sorted(markets) if on == day or not markets[on].is_empty()]
    needs = _needs(inputs, day)
    elements, models = [empty_frame(ELEMENT_AVAILABILITY)], [empty_frame(MODEL_AVAILABILITY)]
    statuses, summed = _statuses(inputs, day), _summed(summaries)
    for buyer in inputs.settings.buyer if needs.height else ():
        offered = _pieces_on_offer(needs.select(ELEMENT).unique(), markets, buyer, inputs, goods_factors)
        seen = _last_seen(last_seen, inputs.tables["vendor_terms"], buyer.region_code)
        grid = _grid(needs, offered, days)
        models.append(_typed(MODEL_AVAILABILITY, _by_month(grid), buyer))
        trends = _trends(grid, days, inputs.settings.report.running_out_months)
        now = (
            grid.filter(pl.col("day") == day)
            .join(statuses, on=ELEMENT, how="left")
            .join(seen, on=ELEMENT, how="left")
            .join(summed, on=ELEMENT, how="left")
            .join(trends, on=["model_code", *ELEMENT])
        )
        elements.append(_typed(ELEMENT_AVAILABILITY, _ranked(now, day), buyer))
    return Availability(
        validate_typed(ELEMENT_AVAILABILITY, pl.concat(elements), where="availability of elements"),
        validate_typed(MODEL_AVAILABILITY, pl.concat(models), where="availability of models"),
    )


def _needs(inputs: WorkspaceInputs, day: date) -> pl.DataFrame:
    """model_code, element, need (pieces for all copies) and copies, of every model with a list on the date."""
    frames = [
        basket_lines(model, day)
        .group_by(ELEMENT)
        .agg(need=pl.col("quantity").sum())
        .select(
            pl.lit(model.model_code).alias("model_code"),
            *ELEMENT,
            "need",
            pl.lit(model.settings.copy_count, pl.Int64).alias("copies"),
        )
        for model in inputs.models
    ]
    schema = {"model_code": pl.String, **dict.fromkeys(ELEMENT, pl.String), "need": pl.Int64, "copies": pl.Int64}
    return pl.concat([pl.DataFrame(schema=schema), *frames]).sort("model_code", *ELEMENT)


def _pieces_on_offer(
    needed: pl.DataFrame,
    markets: Mapping[date, pl.DataFrame],
    buyer: Buyer,
    inputs: WorkspaceInputs,
    goods_factors: pl.DataFrame,
) -> pl.DataFrame:
    """Vendors and pieces per date and element with an offer; all models share this."""
    offers = usable_offers(
        needed.with_columns(quantity=pl.lit(1, pl.Int64)),
        markets,
        buyer,
        goods_factors,
        inputs.tables["exchange_rates"],
    )
    return offers.group_by("day", *ELEMENT).agg(
        market_vendor_count=pl.col("vendor_code").n_unique().cast(pl.Int64),
        buyable_piece_count=pl.min_horizontal("quantity_available", "maximum_per_order").sum(),
    )


def _grid(needs: pl.DataFrame, offered: pl.DataFrame, days: list[date]) -> pl.DataFrame:
    """Every element of every model on every date, 0 where nobody offers it; sorted by date, model and element."""
    pieces = pl.col("buyable_piece_count")
    return (
        pl.DataFrame({"day": days}, {"day": pl.Date})
        .join(needs, how="cross")
        .join(offered, on=["day", *ELEMENT], how="left")
        .with_columns(pl.col("market_vendor_count", "buyable_piece_count").fill_null(0))
        .with_columns(
            fillable_share=(pieces / pl.col("need")).clip(0, 1),
            # A copy needs need / copies pieces, so this is for how many copies the pieces on offer are enough.
            copies_on_offer=pieces * pl.col("copies") // pl.col("need"),
        )
        .sort("day", "model_code", *ELEMENT)
    )


def _by_month(grid: pl.DataFrame) -> pl.DataFrame:
    filled = pl.min_horizontal("buyable_piece_count", "need").sum()
    return (
        grid.group_by("model_code", "day")
        .agg(
            needed_piece_count=pl.col("need").sum(),
            basket_element_count=pl.len().cast(pl.Int64),
            available_element_count=(pl.col("fillable_share") >= 1).sum().cast(pl.Int64),
            single_vendor_element_count=(pl.col("market_vendor_count") == 1).sum().cast(pl.Int64),
            fillable_share=filled / pl.col("need").sum(),
            buildable_copy_count=pl.col("copies_on_offer").min(),
        )
        .with_columns(month=pl.col("day").dt.strftime("%Y-%m"))
        .sort("model_code", "month")
    )


def _trends(grid: pl.DataFrame, days: list[date], running_out_months: int) -> pl.DataFrame:
    """Trend of the pieces on offer of each element, and the months until they no longer cover the need."""
    days = days[-TREND_DATES:]
    recent = grid.filter(pl.col("day").is_in(days))
    latest = recent.filter(pl.col("day") == days[-1])
    pieces, need = latest["buyable_piece_count"].to_numpy(), latest["need"].to_numpy()
    if len(days) < LEAST_TREND_DATES:
        slope = low = high = np.full(latest.height, np.nan)
    else:
        times = np.array([(day - days[0]).days / DAYS_PER_MONTH for day in days])
        # In logarithms, because a stock that sells falls by a share; with one more piece, because 0 has no logarithm.
        values = np.log1p(recent["buyable_piece_count"].to_numpy().astype(np.float64)).reshape(len(days), -1)
        trend = theil_sen(times, values)
        slope, low, high = trend.slope, trend.low, trend.high
    covers = pieces >= need
    left, soonest, latest_end = (
        _months_until(np.log1p(pieces) - np.log1p(need), fall, covers) for fall in (slope, low, high)
    )
    return latest.select("model_code", *ELEMENT).with_columns(
        piece_trend_pct=pl.Series(100 * np.expm1(slope)),
        piece_trend_low_pct=pl.Series(100 * np.expm1(low)),
        piece_trend_high_pct=pl.Series(100 * np.expm1(high)),
        months_left=pl.Series(left),
        months_left_low=pl.Series(soonest),
        months_left_high=pl.Series(latest_end),
        is_running_out=pl.Series(covers & (high < 0) & (left <= running_out_months)),
    )


def _months_until(spare: np.ndarray, slope: np.ndarray, covers: np.ndarray) -> np.ndarray:
    """Months until only the need is left at a slope, in logarithms; NaN where it is not covered or does not fall."""
    falls = covers & np.isfinite(slope) & (slope < 0)
    found: np.ndarray = np.divide(spare, -slope, out=np.full(len(spare), np.nan), where=falls)
    return found


def _ranked(now: pl.DataFrame, day: date) -> pl.DataFrame:
    """The element that limits the model most first: fewest copies, then fewest vendors, then least per piece needed."""
    order = ("copies_on_offer", "fillable_share", "market_vendor_count", *ELEMENT)
    return (
        now.sort("model_code", *order)
        .with_columns(
            weakness_rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64).over("model_code"),
            element_status=pl.col("element_status").fill_null("unknown"),
            needed_piece_count=pl.col("need"),
            days_since_seen=(pl.lit(day) - pl.col("last_seen_on")).dt.total_days(),
        )
        .sort("model_code", *ELEMENT)
    )


def _statuses(inputs: WorkspaceInputs, day: date) -> pl.DataFrame:
    """The status of each element on a date: the row with the latest start."""
    rows = inputs.tables["element_status"].filter(pl.col("valid_from_on") <= day)
    return (
        rows.sort("valid_from_on").unique(ELEMENT, keep="last", maintain_order=True).select(*ELEMENT, "element_status")
    )


def _last_seen(offers: pl.DataFrame, vendor_terms: pl.DataFrame, region_code: str) -> pl.DataFrame:
    serving = vendor_terms.filter(pl.col("buyer_region_code").is_in([region_code, "*"])).select("vendor_code").unique()
    stated = offers.filter((pl.col("condition") == "new") & (pl.col("form_certainty") == "stated"))
    return (
        stated.join(serving, on="vendor_code", how="semi")
        .group_by(ELEMENT)
        .agg(last_seen_on=pl.col("last_confirmed_on").max())
    )


def _summed(summaries: pl.DataFrame) -> pl.DataFrame:
    """The latest summary of each new element: its date, and the most pieces that a source of that date counts."""
    new = summaries.filter(pl.col("condition") == "new")
    latest = pl.col("observed_on") == pl.col("observed_on").max().over(ELEMENT)
    return (
        new.filter(latest)
        .group_by(ELEMENT)
        .agg(summary_on=pl.col("observed_on").first(), summary_piece_count=pl.col("quantity_available").max())
    )


def _typed(contract: Contract, rows: pl.DataFrame, buyer: Buyer) -> pl.DataFrame:
    schema = polars_schema(contract)
    full = rows.with_columns(buyer_code=pl.lit(buyer.buyer_code)).select(list(schema)).cast(schema)
    numbers = [name for name, kind in schema.items() if kind == pl.Float64]
    # A slope or a time without a limit is not published.
    return full.with_columns(pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name) for name in numbers)
