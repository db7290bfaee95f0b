"""The tables that look ahead and explain, for the invented night: made from its other tables, so that they agree with them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from decimal import Decimal

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.insight.over_time.buying_time import buying_time
from pipelines.trends.outlook.price_changes import price_change_distribution
from schemas.contract import Contract
from schemas.published.availability import ELEMENT_AVAILABILITY, MODEL_AVAILABILITY
from schemas.published.over_time import COST_CHANGE, NIGHTLY_COST, PRICE_FORECAST, VENDOR_CHANGE
from schemas.published.plans import MODEL_COST
from schemas.published.price_index import ELEMENT_PRICE, INDEX_BAND, INDEX_CONTRIBUTION, INDEX_REVISION, PRICE_INDEX
from schemas.published.runs import CHECK_RESULT
from schemas.published.watches import WATCH_RESULT
from schemas.validate import polars_schema

KEY = ("model_code", "buyer_code")


def outlook_tables(tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs, today: date) -> dict[str, pl.DataFrame]:
    """Availability, changes, contributions, bands, revisions, parts of changes in cost, forecasts, watches and checks."""
    prices, index, costs = (tables[c.name] for c in (ELEMENT_PRICE, PRICE_INDEX, MODEL_COST))
    parts = tables["parts"].select("part_code", "part_family")
    return {
        "price_change_distribution": price_change_distribution(prices),
        **buying_time(inputs, costs, index, today),
        "price_forecast": _forecasts(index),
        "element_availability": _elements(prices, today),
        "model_availability": _models(prices),
        "index_band": _bands(index),
        "index_contribution": _contributions(prices, parts),
        "index_revision": _revisions(index),
        "cost_change": _cost_changes(costs),
        "vendor_change": _vendor_changes(costs, tables["vendors"]["vendor_code"].to_list()),
        "nightly_cost": _nights(costs, today),
        "watch_result": _watches(tables, inputs),
        "check_result": pl.DataFrame(
            {"check_name": ["model_cost_adds_up", "key_of_model_cost"], "failed_row_count": [0, 0]},
            polars_schema(CHECK_RESULT),
        ),
    }


def _typed(contract: Contract, frame: pl.DataFrame) -> pl.DataFrame:
    schema = polars_schema(contract)
    missing = [pl.lit(None).alias(name) for name in schema if name not in frame.columns]
    return frame.with_columns(missing).select(list(schema)).cast(schema).sort(contract.key)


def _elements(prices: pl.DataFrame, today: date) -> pl.DataFrame:
    """One line is one element here; the first of each model is short, the second runs out, the third was never seen."""
    pieces = pl.col("market_quantity")
    return _typed(
        ELEMENT_AVAILABILITY,
        prices.filter(pl.col("month") == f"{today:%Y-%m}")
        .unique([*KEY, "part_code", "colour_code"], keep="first", maintain_order=True)
        .with_columns(rank=pl.col("line_number").rank("ordinal").over(KEY).cast(pl.Int64))
        .with_columns(
            market_quantity=pl.when(pl.col("rank") == 3).then(0).otherwise(pieces),
            market_vendor_count=pl.when(pl.col("rank") == 3).then(0).otherwise("market_vendor_count"),
        )
        .with_columns(
            element_status=pl.when(pl.col("rank") == 1).then(pl.lit("retired")).otherwise(pl.lit("unknown")),
            needed_piece_count="quantity",
            buyable_piece_count=pieces,
            fillable_share=(pieces / pl.col("quantity")).clip(0, 1),
            copies_on_offer=pieces // pl.col("quantity"),
            last_seen_on=pl.when(pl.col("rank") != 3).then(pl.lit(today)),
            days_since_seen=pl.when(pl.col("rank") != 3).then(0),
            is_running_out=pl.col("rank") == 2,
            piece_trend_pct=pl.when(pl.col("rank") == 2).then(-18.0),
            months_left=pl.when(pl.col("rank") == 2).then(3.25),
            months_left_low=pl.when(pl.col("rank") == 2).then(2.5),
            months_left_high=pl.when(pl.col("rank") == 2).then(5.75),
            weakness_rank=pl.struct("market_quantity", "line_number").rank("ordinal").over(KEY).cast(pl.Int64),
        ),
    )


def _models(prices: pl.DataFrame) -> pl.DataFrame:
    pieces = pl.col("market_quantity")
    return _typed(
        MODEL_AVAILABILITY,
        prices.group_by(*KEY, "month").agg(
            needed_piece_count=pl.col("quantity").sum(),
            basket_element_count=pl.len(),
            available_element_count=(pieces >= pl.col("quantity")).sum(),
            single_vendor_element_count=(pl.col("market_vendor_count") == 1).sum(),
            fillable_share=pl.min_horizontal(pieces, "quantity").sum() / pl.col("quantity").sum(),
            buildable_copy_count=(pieces // pl.col("quantity")).min(),
        ),
    )


def _bands(index: pl.DataFrame) -> pl.DataFrame:
    level = pl.col("index_level")
    spanned = index.filter(~pl.col("is_withheld") & (pl.col("index_method") != "jevons"))
    return _typed(
        INDEX_BAND,
        spanned.group_by(*KEY, "month").agg(
            lowest_index_level=level.min(), highest_index_level=level.max(), band_reason=pl.lit("gaps")
        ),
    )


def _contributions(prices: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """By part family alone, under each of the views' names; imputed lines in a group of their own."""
    grouped = (
        prices.filter(pl.col("contribution_points").is_not_null())
        .join(parts, on="part_code", how="left")
        .with_columns(
            contribution_group=pl.when("is_imputed")
            .then(pl.lit("imputed"))
            .otherwise(pl.col("part_family").fill_null("")),
        )
        .group_by(*KEY, "month", "contribution_group")
        .agg(group_contribution_points=pl.col("contribution_points").sum(), contributing_line_count=pl.len())
        .with_columns(change_month_count=1)
    )
    views = pl.DataFrame({"contribution_view": ["part_family", "colour_family", "vendor_kinds"]})
    return _typed(INDEX_CONTRIBUTION, grouped.join(views, how="cross"))


def _revisions(index: pl.DataFrame) -> pl.DataFrame:
    """The headline of the first model in one month was first published 0.37 points lower."""
    chosen = (pl.col("index_method") == "lowe") & (pl.col("model_code") == "m00") & (pl.col("month") == "2026-10")
    return _typed(
        INDEX_REVISION,
        index.filter(chosen).with_columns(
            first_published_on=date(2026, 10, 31),
            first_published_level=pl.col("index_level") - 0.37,
            revision_points=0.37,
            revision_reason=pl.lit("prices"),
        ),
    )


def _cost_changes(costs: pl.DataFrame) -> pl.DataFrame:
    """Of every change in complete cost nine tenths are prices and the rest the choice of plan, with its range."""
    key = ["model_code", "scenario_code", "buyer_code"]
    gap = pl.col("landed_cost") - pl.col("lower_bound")
    changed = (
        costs.sort(*key, "priced_on")
        .with_columns(
            compared_on=pl.col("priced_on").shift().over(key),
            change=pl.col("complete_cost") - pl.col("complete_cost").shift().over(key),
            low_less=gap,
            high_more=gap.shift().over(key),
        )
        .drop_nulls("change")
        .with_columns(prices=(pl.col("change") * Decimal("0.9")).round(2))
        .with_columns(choice=pl.col("change") - pl.col("prices"), is_break=pl.lit(False))
    )
    long = changed.unpivot(
        ["prices", "choice"],
        index=[*key, "priced_on", "compared_on", "currency_code", "is_break", "low_less", "high_more"],
        variable_name="change_part",
        value_name="cost_change",
    )
    is_choice = pl.col("change_part") == "choice"
    return _typed(
        COST_CHANGE,
        long.with_columns(
            cost_change_low=pl.col("cost_change") - pl.when(is_choice).then("low_less").otherwise(Decimal(0)),
            cost_change_high=pl.col("cost_change") + pl.when(is_choice).then("high_more").otherwise(Decimal(0)),
        ),
    )


def _vendor_changes(costs: pl.DataFrame, vendors: list[str]) -> pl.DataFrame:
    """The first vendor's prices rose by 2 %, the second's terms fell by 3 %, the third now refuses, the fourth hardly moved."""
    effects = [(2.0, 0.0, ""), (0.5, -3.0, ""), (0.0, 0.0, "the order is below the minimum"), (0.01, 0.0, "")]
    moved = pl.DataFrame(
        [
            {
                "vendor_code": code,
                "moved_element_count": 4,
                "vendor_effect_pct": prices,
                "terms_effect_pct": terms,
                "terms_refusal": why,
            }
            for code, (prices, terms, why) in zip(vendors, effects, strict=False)
        ]
    )
    keys = costs.select("model_code", "buyer_code").unique().sort("model_code", "buyer_code")
    return _typed(VENDOR_CHANGE, keys.join(moved, how="cross").with_columns(compared_on=date(2026, 10, 31)))


def _nights(costs: pl.DataFrame, today: date) -> pl.DataFrame:
    """Every other night of the last 40 at today's cost; the last month end was published 1.50 dearer than it is now."""
    latest = costs.filter(pl.col("priced_on") == today)
    nights = [today - timedelta(days=back) for back in range(0, 40, 2)]
    rows = [latest.with_columns(priced_on=pl.lit(night)) for night in nights if night != date(2026, 10, 31)]
    month_end = costs.filter(pl.col("priced_on") == date(2026, 10, 31))
    return _typed(NIGHTLY_COST, pl.concat([*rows, month_end.with_columns(pl.col("complete_cost") + Decimal("1.5"))]))


def _forecasts(index: pl.DataFrame) -> pl.DataFrame:
    """A forecast for one model and buyer, whatever the trials of so short a past say."""
    chosen = [pl.col(k) == v for k, v in (("index_method", "lowe"), ("model_code", "m00"), ("buyer_code", "inland"))]
    last = index.filter(*chosen).sort("month").tail(1)
    return _typed(
        PRICE_FORECAST,
        last.with_columns(
            month=pl.lit("2026-12"),
            forecast_method=pl.lit("theta"),
            forecast_level=pl.col("index_level") + 1,
            forecast_low=pl.col("index_level") - 2,
            forecast_high=pl.col("index_level") + 4,
        ),
    )


def _watches(tables: Mapping[str, pl.DataFrame], inputs: WorkspaceInputs) -> pl.DataFrame:
    """Of the settings' watches: the first model is below its amount, an element is scarce, no vendor moves anything."""
    element = tables["parts"]["part_code"][0], tables["colours"]["colour_code"][0]
    rows = []
    for watch in inputs.settings.watch:
        fired = watch.kind != "vendor_changes_model"
        subject = " ".join(element) if watch.kind == "line_scarce" else ""
        messages = {
            "model_below": "Costs 84.00 EUR: below 100.",
            "line_scarce": "3 on offer from 1 vendor; 9 needed.",
            "vendor_changes_model": "No vendor's change moves the parts' cost by more than 3 %.",
        }[watch.kind]
        rows.append(
            {
                "watch_code": watch.watch_code, "model_code": "m00", "buyer_code": "inland", "watch_subject": subject,
                "watch_kind": watch.kind, "is_fired": fired, "watched_value": 1.0, "watch_limit": 3.0,
                "watch_message": messages,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, polars_schema(WATCH_RESULT))
