"""Savings of a small workspace, worked out and read off."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import polars as pl

from pipelines.insight.flexibility.savings import flexibility_savings
from pipelines.planning.scenarios import plan_model
from pipelines.settings_refresh import RefreshSettings
from schemas.all_tables import SAVING_CONTRACTS
from schemas.validate import polars_schema
from tests.builders.markets import (
    BUYER,
    DAY,
    line,
    make_inputs,
    make_summaries,
    terms,
    vendor,
)

PLATES = [line(9, "plate", "grey", 10)]


def with_bounds(listed_bound: str, flexible_bound: str) -> Callable[[Any], Any]:
    """A change for ``worked_out``: the plans are not proven and have these lower bounds."""

    def change(plans: Any) -> Any:
        bound = (
            pl.when(pl.col("scenario_code") == "listed").then(pl.lit(listed_bound)).otherwise(pl.lit(flexible_bound))
        )
        cost = plans["model_cost"].with_columns(
            bound.cast(pl.Decimal(18, 4)).alias("lower_bound"), pl.lit("bounded").alias("plan_status")
        )
        return {**plans, "model_cost": cost}

    return change


def worked_out(
    model: Any,
    market: Any,
    last_seen: Any = None,
    scenarios: Any = (),
    workers: Any = 1,
    change: Any = None,
    effort: Any = "standard",
    planned_lines: Any = 9,
    cache_folder: Any = None,
    day: Any = DAY,
    **tables: Any,
) -> Any:
    """The savings' tables, and the plans' costs by scenario."""
    inputs = make_inputs((model,), (BUYER,), scenarios, **tables)
    refresh = RefreshSettings(workers=workers, planned_lines=planned_lines)
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"refresh": refresh}))
    seen = market if last_seen is None else last_seen
    plans = plan_model(inputs, model, day, BUYER, market, seen, make_summaries(), effort).tables
    if change is not None:
        plans = change(plans)
    found = flexibility_savings(inputs, market, plans, day, cache_folder)
    for contract in SAVING_CONTRACTS:
        assert found[contract.name].schema == polars_schema(contract)
    return found


def saved(found: Any, view: str = "fair", table: str = "colour_flex_saving") -> Any:
    rows = found[table].filter(pl.col("saving_view") == view)
    return {row["line_number"]: row["saving"] for row in rows.iter_rows(named=True)}


def distinct(found: Any, view: str = "fair") -> Any:
    rows = found["colour_flex_saving"].filter((pl.col("saving_view") == view) & pl.col("is_distinct"))
    return sorted(rows["line_number"])


def costs(found: Any, column: str = "total_saving") -> Any:
    return dict(found["flexibility_cost"].select("flexibility_allowed", column).iter_rows())


def of_scenario(model: Any, market: Any, scenario: Any, **tables: Any) -> Any:
    inputs = make_inputs((model,), **{name: list(rows) for name, rows in tables.items()})
    cost = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "standard").tables["model_cost"]
    return cost.filter(pl.col("scenario_code") == scenario).row(0, named=True)


def two_vendors(shipping: Any) -> Any:
    return {
        "vendors": [vendor("a"), vendor("b")],
        "vendor_terms": [terms(code, shipping_charge=str(shipping)) for code in "ab"],
    }
