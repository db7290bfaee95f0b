"""What each line's colour freedom saves: the plan's cost against its cost with this one line held to its listed colour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.fitting import PORTION_KEY
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.held_line import HeldLines
from pipelines.insight.moves import Moved
from pipelines.insight.published_plans import PublishedPlan, published_plans
from pipelines.money import round_money
from pipelines.workers import spread
from schemas.published import COLOUR_FLEX_SAVING
from schemas.validate import polars_schema, validate_typed

SCENARIOS = ("freed", "best")
FREE_RULES = ("any", "any_one", "one_of", "near")


def colour_flex_savings(
    inputs: WorkspaceInputs, market: pl.DataFrame, plans: Mapping[str, pl.DataFrame], day: date
) -> pl.DataFrame:
    """The saving of each line's freedom in the plans ``freed`` and ``best`` of a date (saving_view ``last``).

    A line's saving is the landed cost with this one line held to its listed colour, less the plan's landed cost; all
    other freedoms stay. The held plan starts from the published one and is re-planned with the plan's own vendors, the
    listed plan's vendors for the line, and the few others cheapest for it in its listed colour. It is a valid plan, so the
    saving is what the freedom is worth against a plan anyone could really buy; a plan with yet another vendor might do
    better, so it may be overstated, never invented. Holding a line back can't be cheaper: should the re-plan turn out
    cheaper than the published plan, that was the published plan's gap, and the saving is 0 and not told apart.

    ``is_told_apart``: the saving is larger than the gaps of both plans in money: the published plan's own, and the held
    plan's among the vendors it was re-planned with. Where the listed colour can't be had in full, the estimate of the
    listed plan stands for the missing pieces, and the saving is not told apart, because an estimate is no price; a line
    without even an estimate is left out, as is one whose listed colour is refused.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        plans: the tables of plan_night.
        day: the priced date.

    Returns:
        COLOUR_FLEX_SAVING, sorted by key; lines of amendments, which have no listed colour of the designer's, are not in it.
    """
    wanted = enumerate(published_plans(inputs, market, plans, day, SCENARIOS))
    rows = [
        row for _, found in spread(savings_of_plan, inputs, wanted, inputs.settings.refresh.workers) for row in found
    ]
    frame = pl.DataFrame(rows, schema=polars_schema(COLOUR_FLEX_SAVING), orient="row").sort(COLOUR_FLEX_SAVING.key)
    return validate_typed(COLOUR_FLEX_SAVING, frame, where=f"savings on {day}")


def savings_of_plan(inputs: WorkspaceInputs, published: PublishedPlan) -> list[dict[str, Any]]:
    """COLOUR_FLEX_SAVING rows of one published plan."""
    planning = published.planning(inputs)
    candidates, scenario = planning.candidates(published.scenario), published.scenario
    plan = published.plan(planning, candidates)
    if plan is None:
        return []
    is_free = pl.col("colour_rule").is_in(FREE_RULES) & (pl.col("portion_source") == "designer")
    freed = planning.portions(scenario).filter(is_free).sort(PORTION_KEY)
    lines = HeldLines(candidates, plan, scenario, planning.book, freed)
    rows = []
    for _, portions in freed.group_by("line_number", maintain_order=True):
        saving = _saving(lines, portions, published)
        if saving is not None:
            main = portions.sort("quantity", descending=True, maintain_order=True).row(0, named=True)
            named = ("line_number", "listed_part_code", "listed_colour_code", "colour_rule")
            rows.append(
                {
                    "priced_on": published.day,
                    "model_code": published.model.model_code,
                    "scenario_code": scenario.scenario_code,
                    "buyer_code": published.buyer.buyer_code,
                    **{name: main[name] for name in named},
                    "quantity": portions["quantity"].sum(),
                    "saving_view": "last",
                    "saving": saving.amount,
                    "is_told_apart": saving.is_told_apart,
                }
            )
    return rows


@dataclass(frozen=True)
class Saving:
    """What a freedom saves, in the buyer's currency."""

    amount: Decimal
    is_told_apart: bool


def _saving(lines: HeldLines, portions: pl.DataFrame, published: PublishedPlan) -> Saving | None:
    """The saving of one line, given its freed portions; None where there is nothing to compare with."""
    plan = lines.plan
    served = plan.allocations.join(portions.select(*PORTION_KEY, "listed_colour_code"), on=PORTION_KEY)
    if served.filter(pl.col("colour_code") != pl.col("listed_colour_code")).is_empty():
        # All the line's pieces are in the listed colour already: the plan itself keeps the held line's rule. So the held
        # plan costs no more, and being held it costs no less: the freedom saves exactly nothing.
        return Saving(Decimal(0), False)
    listed = published.listed["plan_line"].join(portions, on=PORTION_KEY, how="semi")
    line = lines.line(portions, sorted(set(listed["vendor_code"]) - {""}))
    if line is None:
        without = lines.without(portions)
        return None if without is None else _saving_of_the_missing(lines, without, published)
    moved = lines.moved(line)
    gap = plan.cost - plan.lower_bound
    fills_alike = moved is not None and moved.plan.rank[0] == plan.rank[0]
    if moved is not None and fills_alike and moved.plan.cost - plan.cost <= gap:
        # The saving is no larger than the published plan's own gap: no other plan could tell it apart.
        return Saving(max(Decimal(0), moved.landed_cost - lines.orders.landed_cost), False)
    held = lines.replanned(line, moved) or moved
    if held is None:
        return None
    if held.plan.rank[0] > plan.rank[0]:
        return _saving_of_the_missing(lines, held, published)
    amount = held.landed_cost - lines.orders.landed_cost
    gaps = gap + held.plan.cost - held.plan.lower_bound
    is_told_apart = amount > 0 and held.plan.cost - plan.cost > gaps
    return Saving(max(Decimal(0), amount), is_told_apart)


def _saving_of_the_missing(lines: HeldLines, held: Moved, published: PublishedPlan) -> Saving | None:
    """Complete costs compared: the listed plan's estimates stand for pieces that only the freedom makes buyable."""
    had = lines.plan.unfilled.rename({"quantity": "had"})
    prices = published.listed["unfilled_line"].select(*PORTION_KEY, "estimated_unit_price")
    lacking = (
        held.plan.unfilled.join(had, on=PORTION_KEY, how="left")
        .with_columns(pl.col("quantity") - pl.col("had").fill_null(0))
        .filter(pl.col("quantity") > 0)
        .join(prices, on=PORTION_KEY, how="left")
    )
    if lacking["estimated_unit_price"].null_count():
        return None
    estimate = sum(
        (
            Fraction(price) * quantity
            for quantity, price in lacking.select("quantity", "estimated_unit_price").iter_rows()
        ),
        Fraction(0),
    )
    dearer = held.landed_cost - lines.orders.landed_cost + round_money(estimate, published.buyer.currency_code)
    return Saving(max(Decimal(0), dearer), False)
