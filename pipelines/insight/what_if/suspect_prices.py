"""Suspect prices ranked by what they could cost, and plans that trust them.

Published plans leave suspect offers out. A plan that trusts them shows what that costs if the prices are right. It is made
with little effort from the plan's own vendors and those of the suspect offers, so a better one may exist.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.costing.several_orders import vendors_of
from pipelines.errors import PlanRefusedError
from pipelines.inputs import WorkspaceInputs, exchange_rate_on
from pipelines.insight.replanning.published_plans import EFFORT, PublishedPlan, published_plans
from pipelines.insight.what_if.plan_variants import SCENARIOS
from pipelines.planner import solve
from pipelines.planning.candidates import OFFER_KEY
from pipelines.planning.purchase_plan import as_solution, plan_of
from schemas.published.price_history import SUSPECT_PRICE
from schemas.published.what_if import PLAN_VARIANT
from schemas.validate import polars_schema, validate_typed

TRUSTED = "suspects_trusted"
STEP = ("offer_id", "step_from_quantity")
_NEEDED_SCHEMA = pl.Schema(
    {"offer_id": pl.String(), "vendor_code": pl.String(), "buyer_code": pl.String(), "pieces": pl.Int64()}
)


def ranked_suspects(
    inputs: WorkspaceInputs, market: pl.DataFrame, plans: Mapping[str, pl.DataFrame], suspects: pl.DataFrame, day: date
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Suspect prices ranked by what they could cost, and plans made as if they were right.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        plans: the tables of plan_night.
        suspects: SUSPECT_PRICE without its last three columns, all price periods.
        day: the priced date.

    Returns:
        SUSPECT_PRICE, and PLAN_VARIANT rows of kind ``suspects_trusted``, one for each cheapest mix that could use such an
        offer; both sorted by key.
    """
    doubted = market.filter(pl.col("is_suspect").any().over(OFFER_KEY)).with_columns(is_suspect=pl.lit(False))
    trusted = market.with_columns(is_suspect=pl.lit(False))
    needed: list[pl.DataFrame] = [pl.DataFrame(schema=_NEEDED_SCHEMA)]
    variants: list[dict[str, Any]] = []
    cheap = _cheap_offers(suspects)
    for published in published_plans(inputs, trusted, plans, day, SCENARIOS) if doubted.height else []:
        uses = _uses(inputs, replace(published, market=doubted))
        if uses.height:
            needed.append(uses)
            variants += _trusting(inputs, published, set(uses["vendor_code"]), cheap & set(uses["offer_id"]))
    return _ranked(inputs, suspects, pl.concat(needed), market, day), _variant_frame(variants, day)


def _cheap_offers(suspects: pl.DataFrame) -> frozenset[str]:
    """Offers with a suspect price below the usual one: only these could make a plan cheaper."""
    ratio = pl.coalesce("market_ratio", "own_ratio")
    return frozenset(suspects.filter(ratio < 1)["offer_id"])


def _uses(inputs: WorkspaceInputs, published: PublishedPlan) -> pl.DataFrame:
    """Pieces that a plan's model could use of each offer of its market: _NEEDED_SCHEMA."""
    found = published.planning(inputs).candidates(published.scenario)
    return (
        found.uses.select("portion_index", "offer_index")
        .unique()
        .join(found.portions.select("portion_index", "quantity"), on="portion_index")
        .join(found.offers.select("offer_index", "offer_id", "vendor_code", "quantity_available"), on="offer_index")
        .group_by("offer_id", "vendor_code", "quantity_available")
        .agg(pl.col("quantity").sum())
        .with_columns(
            buyer_code=pl.lit(published.buyer.buyer_code), pieces=pl.min_horizontal("quantity", "quantity_available")
        )
        .select(_NEEDED_SCHEMA.names())
        .cast(_NEEDED_SCHEMA)
    )


def _trusting(
    inputs: WorkspaceInputs, published: PublishedPlan, vendors: set[str], cheap: set[str] | frozenset[str]
) -> list[dict[str, Any]]:
    cost = published.rows["model_cost"].row(0, named=True)
    key = {name: cost[name] for name in ("priced_on", "model_code", "scenario_code", "buyer_code")}
    own = set(published.rows["plan_purchase"]["vendor_code"])
    row = {
        **key,
        "variant_kind": TRUSTED,
        "variant_value": "all",
        "landed_cost": cost["landed_cost"],
        "unfilled_piece_count": cost["unfilled_piece_count"],
        "vendor_count": len(own),
        "variant_vendor_codes": ";".join(vendors_of(own)),
    }
    if not cheap and not cost["unfilled_piece_count"]:
        return [row]  # dearer offers change nothing where nothing is missing
    planning = published.planning(inputs)
    every = planning.candidates(published.scenario)
    among = every.of_vendors(sorted((own | vendors) & set(every.vendor_codes)))
    plan = published.plan(planning, among)
    start = as_solution(plan, among, published.scenario) if plan is not None else None
    try:
        other = plan_of(among, solve.solve(among.problem(planning.book, published.scenario), EFFORT, start))
    except PlanRefusedError:
        return []
    landed_cost = work_out(other.purchases, planning.book.vendors)
    if landed_cost.broken_rules or landed_cost.exact_cost != other.cost:
        return []
    if plan is not None and plan.rank <= other.rank:
        return [row]
    codes = sorted(set(other.purchases["vendor_code"]))
    row |= {"landed_cost": landed_cost.total, "unfilled_piece_count": other.rank[0]}
    return [row | {"vendor_count": len(codes), "variant_vendor_codes": ";".join(vendors_of(codes))}]


def _ranked(
    inputs: WorkspaceInputs, suspects: pl.DataFrame, needed: pl.DataFrame, market: pl.DataFrame, day: date
) -> pl.DataFrame:
    """SUSPECT_PRICE: pieces that all models could use (for the buyer with most), influence on costs, rank."""
    pieces = (
        needed.group_by("offer_id", "buyer_code")
        .agg(pl.col("pieces").sum())
        .group_by("offer_id")
        .agg(pl.col("pieces").max().alias("servable_piece_count"))
    )
    currency = inputs.settings.buyer[0].currency_code
    rates = {
        code: float(rate)
        for code in sorted(set(suspects["currency_code"]))
        if (rate := exchange_rate_on(inputs.tables["exchange_rates"], code, currency, day)) is not None
    }
    usual = pl.coalesce("market_price", "own_price").cast(pl.Float64)
    off = (pl.col("unit_price").cast(pl.Float64) - usual).abs()
    worth = pl.col("currency_code").replace_strict(rates, default=0.0, return_dtype=pl.Float64)
    standing = market.filter("is_suspect").select(STEP).with_columns(is_standing=pl.lit(True))
    frame = (
        suspects.join(pieces, on="offer_id", how="left")
        .join(standing, on=STEP, how="left")
        .with_columns(pl.col("servable_piece_count").fill_null(0))
        .with_columns(cost_influence=(pl.col("servable_piece_count") * off * worth).round(6))
        .sort(["is_standing", "cost_influence", *STEP], descending=[False, True, False, False], nulls_last=True)
        .with_columns(
            influence_rank=pl.when("is_standing").then(pl.int_range(1, pl.len() + 1, dtype=pl.Int64)),
            cost_influence=pl.col("cost_influence").map_elements(_exact, return_dtype=pl.Decimal(18, 6)),
        )
    )
    frame = frame.select(SUSPECT_PRICE.columns).sort(SUSPECT_PRICE.key)
    return validate_typed(SUSPECT_PRICE, frame, where="suspect_price")


def _exact(value: float) -> Decimal:
    return Decimal(repr(value)).quantize(Decimal("0.000001"))


def _variant_frame(rows: list[dict[str, Any]], day: date) -> pl.DataFrame:
    frame = pl.DataFrame(rows, schema=polars_schema(PLAN_VARIANT), orient="row").sort(PLAN_VARIANT.key)
    return validate_typed(PLAN_VARIANT, frame, where=f"plans that trust suspect prices on {day}")
