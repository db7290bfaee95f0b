"""A purchase plan in its own words: by line, portion and offer_id, free of any problem's row numbers.

That makes plans of different scenarios comparable: a plan made under narrower rules is a plan under wider ones, too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

import polars as pl

from pipelines.costing.candidates import Candidates
from pipelines.costing.fitting import PORTION_KEY
from pipelines.costing.planner.problem import Solution
from pipelines.settings import Scenario

PURCHASE_SCHEMA = pl.Schema(
    {
        "offer_id": pl.String(),
        "vendor_code": pl.String(),
        "part_code": pl.String(),
        "colour_code": pl.String(),
        "condition": pl.String(),
        "listing_code": pl.String(),
        "assortment_code": pl.String(),
        "weight_grams": pl.Decimal(18, 6),
        "largest_dimension_mm": pl.Decimal(18, 6),
        "currency_code": pl.String(),
        "last_confirmed_on": pl.Date(),
        "step_from_quantity": pl.Int64(),
        "unit_price": pl.Decimal(18, 6),
        "quantity": pl.Int64(),
    }
)
_USE_KEY = [*PORTION_KEY, "offer_id", "make_up_code", "component_part_code"]


@dataclass(frozen=True)
class Plan:
    """What to buy and what for.

    Attributes:
        wanted: line_number, portion_number, group_code and quantity to buy.
        purchases: PURCHASE_SCHEMA, one row per offer, at the price step its quantity reaches.
        allocations: line_number, portion_number, offer_id, make_up_code, component_part_code, colour_code, quantity
            (pieces of the offer used).
        unfilled: line_number, portion_number, quantity (above 0).
        cost: exact unrounded landed cost in the buyer's currency.
        lower_bound: no plan under the same rules with as few pieces unfilled costs less.
        notes: remarks for people.
    """

    wanted: pl.DataFrame
    purchases: pl.DataFrame
    allocations: pl.DataFrame
    unfilled: pl.DataFrame
    cost: Fraction
    lower_bound: Fraction
    is_proven: bool
    hit_time_limit: bool = False
    notes: tuple[str, ...] = field(default=())

    @property
    def vendor_count(self) -> int:
        """Vendors ordered from."""
        return self.purchases["vendor_code"].n_unique()

    @property
    def spare_count(self) -> int:
        """Pieces bought beyond the need."""
        return int(self.purchases["quantity"].sum()) - int(self.allocations["quantity"].sum())

    @property
    def rank(self) -> tuple[int, Fraction, int, int]:
        """What a plan minimises, in order: unfilled pieces, cost, vendors, spares."""
        return int(self.unfilled["quantity"].sum()), self.cost, self.vendor_count, self.spare_count


def plan_of(candidates: Candidates, solution: Solution) -> Plan:
    """A solution of a problem of these candidates, in the plan's own words."""
    portions = candidates.portions.select("portion_index", *PORTION_KEY)
    offers = candidates.offers.select("offer_index", "offer_id", "colour_code")
    reached = (
        solution.purchases.join(candidates.steps.drop("offer_id"), on="offer_index")
        .filter(pl.col("step_from_quantity") <= pl.col("quantity"))
        .sort("offer_index", "step_from_quantity")
        .unique("offer_index", keep="last", maintain_order=True)
    )
    return Plan(
        wanted=candidates.portions.select(*PORTION_KEY, "group_code", "quantity"),
        purchases=reached.join(candidates.offers, on="offer_index")
        .select(PURCHASE_SCHEMA.names())
        .cast(PURCHASE_SCHEMA)
        .sort("vendor_code", "part_code", "colour_code", "condition", "listing_code"),
        allocations=solution.allocations.join(portions, on="portion_index")
        .join(offers, on="offer_index")
        .select(*_USE_KEY, "colour_code", "quantity")
        .sort(_USE_KEY),
        unfilled=solution.unfilled.join(portions, on="portion_index")
        .select(*PORTION_KEY, "quantity")
        .sort(PORTION_KEY),
        cost=solution.cost,
        lower_bound=min(solution.lower_bound, solution.cost),
        is_proven=solution.is_proven,
        hit_time_limit=solution.hit_time_limit,
        notes=solution.notes,
    )


def plan_from_tables(candidates: Candidates, tables: Mapping[str, pl.DataFrame]) -> Plan | None:
    """A published plan, of one key, in the plan's own words; None where its offers are not among the candidates.

    Args:
        candidates: of the scenario the plan was made under.
        tables: plan_purchase, plan_line and unfilled_line of the plan. Its cost and bound are for the caller to set.
    """
    offers = candidates.offers.select("offer_index", "offer_id")
    portions = candidates.portions.select("portion_index", *PORTION_KEY)
    bought = tables["plan_purchase"].join(offers, on="offer_id")
    lines = tables["plan_line"].filter(pl.col("vendor_code") != "")
    served = lines.join(offers, on="offer_id").join(portions, on=PORTION_KEY)
    if bought.height < tables["plan_purchase"].height or served.height < lines.height:
        return None
    component = pl.when(pl.col("make_up_code") == "").then(pl.lit("")).otherwise("part_code")
    solution = Solution(
        bought.select("offer_index", pl.col("bought_piece_count").alias("quantity")),
        served.select(
            "portion_index", "offer_index", "make_up_code", component.alias("component_part_code"), "quantity"
        ),
        tables["unfilled_line"]
        .join(portions, on=PORTION_KEY)
        .select("portion_index", pl.col("unfilled_piece_count").alias("quantity")),
        Fraction(0),
        Fraction(0),
        is_proven=False,
    )
    return plan_of(candidates, solution)


def nothing_bought(candidates: Candidates) -> Plan:
    """The plan that leaves every portion unfilled: the best one where nothing is on offer."""
    purchases = pl.DataFrame(schema={"offer_index": pl.Int64, "quantity": pl.Int64})
    allocations = candidates.uses.clear().select(
        "portion_index", "offer_index", "make_up_code", "component_part_code", pl.lit(0, pl.Int64).alias("quantity")
    )
    unfilled = candidates.portions.select("portion_index", "quantity")
    zero = Fraction(0)
    return plan_of(candidates, Solution(purchases, allocations.clear(), unfilled, zero, zero, is_proven=True))


def joined(first: Plan, second: Plan, wanted: pl.DataFrame) -> Plan:
    """Two plans from different vendors as one; what ``second`` leaves unfilled is unfilled.

    The bounds add up: each holds for its own stage, and the second stage's task is what the first left.
    """
    return Plan(
        wanted=wanted.select(*PORTION_KEY, "group_code", "quantity"),
        purchases=pl.concat([first.purchases, second.purchases]).sort(
            "vendor_code", "part_code", "colour_code", "condition", "listing_code"
        ),
        allocations=pl.concat([first.allocations, second.allocations]).sort(_USE_KEY),
        unfilled=second.unfilled,
        cost=first.cost + second.cost,
        lower_bound=first.lower_bound + second.lower_bound,
        is_proven=first.is_proven and second.is_proven,
        hit_time_limit=first.hit_time_limit or second.hit_time_limit,
        notes=(*first.notes, *second.notes),
    )


def as_solution(plan: Plan, candidates: Candidates, scenario: Scenario) -> Solution | None:
    """The plan as a solution of another scenario's problem, or None where its rules don't allow it.

    The buyer and the date must be the same, so that the cost stays what it was.
    """
    portions = candidates.portions.select("portion_index", *PORTION_KEY, "group_code", "quantity")
    offers = candidates.offers.select("offer_index", "offer_id")
    uses = candidates.uses.join(portions.drop("quantity"), on="portion_index").join(offers, on="offer_index")
    too_many_vendors = plan.vendor_count > (scenario.maximum_vendor_count or plan.vendor_count)
    if too_many_vendors or (plan.spare_count and not scenario.allow_spares):
        return None
    same = ["line_number", "portion_number", "quantity"]
    if not plan.wanted.select(same).sort(same).equals(portions.select(same).sort(same)):
        return None
    allowed = plan.allocations.join(uses.drop("colour_code"), on=_USE_KEY)
    bought = plan.purchases.join(offers, on="offer_id")
    if allowed.height < plan.allocations.height or bought.height < plan.purchases.height:
        return None
    colours = allowed.filter(pl.col("group_code") != "").group_by("group_code").agg(pl.col("colour_code").n_unique())
    if colours.filter(pl.col("colour_code") > 1).height:
        return None
    return Solution(
        purchases=bought.select("offer_index", "quantity").sort("offer_index"),
        allocations=allowed.select(
            "portion_index", "offer_index", "make_up_code", "component_part_code", "quantity"
        ).sort("portion_index", "offer_index", "make_up_code", "component_part_code"),
        unfilled=plan.unfilled.join(portions.drop("quantity"), on=PORTION_KEY)
        .select("portion_index", "quantity")
        .sort("portion_index"),
        cost=plan.cost,
        lower_bound=Fraction(0),
        is_proven=False,
    )
