"""A plan held against what it promises: enough bought for what is used, nothing bought that is not there, one cost."""

from __future__ import annotations

import polars as pl

from pipelines.costing.candidates import Candidates
from pipelines.costing.fitting import PORTION_KEY
from pipelines.costing.plans import Plan
from pipelines.costing.receipt import Receipt


def faults(plan: Plan, candidates: Candidates, receipt: Receipt) -> list[str]:
    """What is wrong with a plan, in words; empty for a sound one."""
    return [
        *(f"{rule.vendor_code} would not accept the order: {rule.what}" for rule in receipt.broken_rules),
        *_cost_faults(plan, receipt),
        *_purchase_faults(plan, candidates),
        *_fill_faults(plan, candidates),
    ]


def _cost_faults(plan: Plan, receipt: Receipt) -> list[str]:
    found = []
    if receipt.exact_cost != plan.cost:
        found.append(f"the receipt comes to {float(receipt.exact_cost)!r}, the optimiser to {float(plan.cost)!r}")
    if not 0 <= plan.lower_bound <= plan.cost:
        found.append(f"the lower bound {float(plan.lower_bound)!r} is not between 0 and the cost {float(plan.cost)!r}")
    return found


def _purchase_faults(plan: Plan, candidates: Candidates) -> list[str]:
    limits = candidates.offers.select(
        "offer_id",
        "sold_in_multiples_of",
        pl.min_horizontal("quantity_available", "maximum_per_order").alias("most"),
    )
    used = plan.allocations.group_by("offer_id").agg(pl.col("quantity").sum().alias("used"))
    bought = plan.purchases.join(limits, on="offer_id", how="left").join(used, on="offer_id", how="full", coalesce=True)
    wrong = bought.filter(
        pl.col("quantity").is_null()
        | pl.col("most").is_null()
        | (pl.col("quantity") > pl.col("most"))
        | (pl.col("quantity") % pl.col("sold_in_multiples_of") != 0)
        | (pl.col("quantity") < pl.col("used").fill_null(0))
    ).sort("offer_id")
    return [f"the offer {offer_id} can't be bought as planned" for offer_id in wrong["offer_id"]]


def _fill_faults(plan: Plan, candidates: Candidates) -> list[str]:
    """Pieces used and unfilled must add up to each portion; a make-up counts once all its components are there."""
    portions = candidates.portions.select("portion_index", *PORTION_KEY, "group_code")
    offers = candidates.offers.select("offer_index", "offer_id")
    key = [*PORTION_KEY, "offer_id", "make_up_code", "component_part_code"]
    uses = candidates.uses.join(portions, on="portion_index").join(offers, on="offer_index")
    served = plan.allocations.join(uses.select(*key, "component_count", "group_code"), on=key, how="left")
    if served["component_count"].null_count():
        return ["a portion is served by an offer that does not fit it"]
    in_one_colour = [*PORTION_KEY, "make_up_code", "colour_code"]
    components = uses.group_by(*PORTION_KEY, "make_up_code").agg(
        pl.col("component_part_code").n_unique().alias("whole")
    )
    filled = (
        served.group_by(*in_one_colour, "component_part_code")
        .agg(pl.col("quantity").sum(), pl.col("component_count").first())
        .with_columns(pl.col("quantity") / pl.col("component_count"))
        .group_by(in_one_colour)
        .agg(pl.col("quantity").min(), pl.col("quantity").max().alias("most"), pl.len().alias("present"))
        .join(components, on=[*PORTION_KEY, "make_up_code"])
    )
    found = []
    if filled.filter((pl.col("quantity") != pl.col("most")) | (pl.col("present") != pl.col("whole"))).height:
        found.append("a make-up lacks some of its components")
    total = pl.concat([filled.select(*PORTION_KEY, "quantity"), plan.unfilled.cast({"quantity": pl.Float64})])
    balance = (
        plan.wanted.join(
            total.group_by(PORTION_KEY).agg(pl.col("quantity").sum().alias("told")), on=PORTION_KEY, how="left"
        )
        .filter(pl.col("told").fill_null(0) != pl.col("quantity"))
        .sort(PORTION_KEY)
    )
    found += [
        f"line {line} portion {portion} is not accounted for"
        for line, portion in balance.select(PORTION_KEY).iter_rows()
    ]
    colours = served.filter(pl.col("group_code") != "").group_by("group_code").agg(pl.col("colour_code").n_unique())
    found += [
        f"group {group} is in {count} colours" for group, count in colours.sort("group_code").iter_rows() if count > 1
    ]
    return found
