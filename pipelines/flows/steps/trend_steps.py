"""The steps about time: indices, what changed them and the costs, and what comes next."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipelines.costing.goods_factors import goods_factors
from pipelines.flows.steps.night import Night
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.over_time import buying_time, cost_change, vendor_changes, watches
from pipelines.intake.workspace import night_costs
from pipelines.trends.model_index import monthly, vintages
from pipelines.trends.outlook import availability, price_changes
from schemas.published.over_time import NIGHTLY_COST
from schemas.published.price_index import INDEX_VINTAGE
from schemas.validate import empty_frame

BOUGHT_SCENARIO = "cheapest"
"""The scenario whose quantities are the weights of geks-tornqvist-bought; pages call its plan the headline."""


def compute_trends(night: Night) -> Night:
    """Indices, prices, bands, contributions and revisions of every model and buyer, and what changed the plans' costs.

    The priced date stands for its month.
    """
    inputs, day, markets, plans = night.inputs, night.day, night.markets.by_day, night.plans
    known = inputs.tables.get(INDEX_VINTAGE.name, empty_frame(INDEX_VINTAGE))
    earlier = monthly.PlansAndVintages(bought_in(plans["plan_line"]), known)
    nights = inputs.tables.get(NIGHTLY_COST.name, empty_frame(NIGHTLY_COST))
    factors = goods_factors(inputs, markets)
    found = [
        monthly.trends_of_models(inputs, inputs.models, buyer, markets, factors, earlier)
        for buyer in inputs.settings.buyer
    ]
    index = pl.concat([part.index for part in found])
    return night.with_tables(
        {
            "price_index": index,
            "element_price": pl.concat([part.lines for part in found]),
            "index_band": pl.concat([part.band for part in found]),
            "index_contribution": pl.concat([part.contribution for part in found]),
            "index_revision": vintages.revisions(index, known, list_versions(inputs, day)),
            "cost_change": cost_change.cost_changes(inputs, markets, plans),
            "nightly_cost": pl.concat([nights, night_costs.nights_of(plans["model_cost"], day)]),
        }
    )


def bought_in(plan_line: pl.DataFrame) -> pl.DataFrame:
    """New pieces that the plans of the headline scenario use (monthly.BOUGHT_SCHEMA); pieces on hand were not bought."""
    bought = (
        (pl.col("scenario_code") == BOUGHT_SCENARIO) & (pl.col("vendor_code") != "") & (pl.col("condition") == "new")
    )
    key = ("model_code", "buyer_code", "priced_on", "part_code", "colour_code")
    return (
        plan_line.filter(bought)
        .group_by(key)
        .agg(pl.col("quantity").sum())
        .sort(key)
        .rename({"priced_on": "day"})
        .select(monthly.BOUGHT_SCHEMA.names())
        .cast(monthly.BOUGHT_SCHEMA)
    )


def list_versions(inputs: WorkspaceInputs, day: date) -> dict[str, int]:
    """The version of each model's list that its index prices on a date."""
    return {model.model_code: model.settings.version_on(day) or 0 for model in inputs.models}


def look_ahead(night: Night) -> Night:
    """Availability, the spread of price changes, vendors' changes, when to buy, and what the watches found."""
    inputs, markets, day = night.inputs, night.markets, night.day
    costs, elements = night.tables["model_cost"], night.tables["element_price"]
    found = availability.availability(
        inputs,
        markets.by_day,
        markets.last_seen[day],
        markets.summaries[day],
        goods_factors(inputs, markets.by_day),
    )
    changes = vendor_changes.vendor_changes(inputs, markets.by_day, night.plans, day)
    watched = watches.Watched(costs.filter(pl.col("priced_on") == day), found.elements, changes)
    return night.with_tables(
        {
            "element_availability": found.elements,
            "model_availability": found.models,
            "price_change_distribution": price_changes.price_change_distribution(elements),
            "vendor_change": changes,
            "watch_result": watches.watch_results(inputs, watched),
        },
        buying_time.buying_time(inputs, costs, night.tables["price_index"], day),
    )
