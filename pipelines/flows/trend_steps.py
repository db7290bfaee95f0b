"""The steps of a refresh about trends: indices, what moved them, what moved costs, and the record of what was published."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.insight.over_time import cost_change
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.settings import Workspace
from pipelines.trends.model_index import monthly, vintages
from schemas.published.over_time import NIGHTLY_COST
from schemas.published.price_index import INDEX_VINTAGE
from schemas.validate import empty_frame

BOUGHT_SCENARIO = "cheapest"
"""Whose quantities weigh geks-tornqvist-bought: the plan that pages call the headline."""


def compute_trends(
    inputs: WorkspaceInputs, markets: Mapping[date, pl.DataFrame], plans: Mapping[str, pl.DataFrame], day: date
) -> dict[str, pl.DataFrame]:
    """Indices, prices, bands, contributions and revisions of every model and buyer, and what moved the plans' costs.

    The priced date stands for its month.
    """
    known = inputs.tables.get(INDEX_VINTAGE.name, empty_frame(INDEX_VINTAGE))
    earlier = monthly.Earlier(bought_in(plans["plan_line"]), known)
    nights = inputs.tables.get(NIGHTLY_COST.name, empty_frame(NIGHTLY_COST))
    found = [
        monthly.trends_of_models(inputs, inputs.models, buyer, markets, earlier) for buyer in inputs.settings.buyer
    ]
    index = pl.concat([part.index for part in found])
    return {
        "price_index": index,
        "element_price": pl.concat([part.lines for part in found]),
        "index_band": pl.concat([part.band for part in found]),
        "index_contribution": pl.concat([part.contribution for part in found]),
        "index_revision": vintages.revisions(index, known, list_versions(inputs, day)),
        "cost_change": cost_change.cost_changes(inputs, markets, plans),
        "nightly_cost": pl.concat([nights, night_costs.nights_of(plans["model_cost"], day)]),
    }


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


def before(inputs: WorkspaceInputs, day: date) -> WorkspaceInputs:
    """The inputs, but of what was published only that of earlier dates."""
    return night_costs.before(index_vintages.before(inputs, day), day)


def record_published(
    workspace: Workspace, inputs: WorkspaceInputs, tables: Mapping[str, pl.DataFrame], day: date, refresh_id: str
) -> int:
    """Keep the night's costs, and the levels of months that are published for the first time; the number of those kept.

    A refresh of a date before one that was recorded keeps nothing: what it shows was not published at its time.

    Args:
        workspace: where the record is.
        inputs: with all vintages, later ones too.
        tables: as they are about to be published; of them model_cost and price_index.
        day: the priced date.
        refresh_id: names the file.
    """
    night_costs.write_night(workspace, night_costs.nights_of(tables["model_cost"], day), day)
    known = inputs.tables.get(INDEX_VINTAGE.name, empty_frame(INDEX_VINTAGE))
    if known.filter(pl.col("first_published_on") > day).height:
        return 0
    rows = vintages.new_vintages(tables["price_index"], known, list_versions(inputs, day), day)
    if rows.height:
        index_vintages.write_vintage(workspace, refresh_id, rows)
    return rows.height
