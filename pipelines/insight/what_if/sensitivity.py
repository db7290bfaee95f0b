"""One-way sensitivity: what a plan costs with one assumption changed, down or up, while all others stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.insight.replanning.changed_assumptions import ChangedAssumptions
from pipelines.insight.replanning.published_plans import EFFORT, PublishedPlan
from pipelines.insight.what_if.answers import Answer, PricesOnDate, Question, answer_what_if, plan_as_it_is

Row = dict[str, Any]


@dataclass(frozen=True)
class Sensitivity:
    """One assumption changed one way."""

    assumption: str
    side: str
    words: str
    changes: ChangedAssumptions


ALWAYS = (
    Sensitivity("prices", "down", "10 % lower", ChangedAssumptions(price_pct=Decimal(-10))),
    Sensitivity("prices", "up", "10 % higher", ChangedAssumptions(price_pct=Decimal(10))),
    Sensitivity("shipping", "down", "25 % cheaper", ChangedAssumptions(shipping_pct=Decimal(-25))),
    Sensitivity("shipping", "up", "25 % dearer", ChangedAssumptions(shipping_pct=Decimal(25))),
    Sensitivity("tax", "down", "5 points lower", ChangedAssumptions(tax_points=Decimal(-5))),
    Sensitivity("tax", "up", "5 points higher", ChangedAssumptions(tax_points=Decimal(5))),
)
ABROAD = (
    Sensitivity("exchange_rate", "down", "foreign money 5 % cheaper", ChangedAssumptions(rate_pct=Decimal(-5))),
    Sensitivity("exchange_rate", "up", "foreign money 5 % dearer", ChangedAssumptions(rate_pct=Decimal(5))),
)


def sensitivities_of(published: PublishedPlan) -> list[Sensitivity]:
    """The changes worth trying on a plan: those that could change it."""
    scenario, vendors = published.scenario, published.rows["plan_vendor"]
    parcels = published.rows["model_cost"]["vendor_count"][0]
    found = list(ALWAYS)
    if (vendors["vendor_currency_code"] != published.buyer.currency_code).any():
        found += ABROAD
    if "used" not in scenario.conditions:
        found.append(Sensitivity("condition", "down", "used parts as well", ChangedAssumptions(with_used=True)))
    if scenario.use_flexibility or scenario.use_substitutes:
        as_listed = ChangedAssumptions(without_flexibility=True, without_substitutes=True)
        found.append(Sensitivity("flexible_lines", "up", "everything as listed", as_listed))
    if (vendors["vendor_kind"] == "maker").any():
        without = ChangedAssumptions(without_maker=True)
        found.append(Sensitivity("maker", "up", "nothing from the maker's shop", without))
    if parcels > 1:
        fewer = ChangedAssumptions(maximum_vendor_count=parcels - 1)
        found.append(Sensitivity("vendor_count", "up", "one parcel fewer", fewer))
    return found


def sensitivity_question(published: PublishedPlan, rows: Mapping[str, Mapping[str, pl.DataFrame]]) -> Question:
    """What `kitfare whatif` would be asked about a plan published from the same inputs, without changes yet.

    Args:
        published: the plan.
        rows: of all published plans of its model and buyer, by scenario; with order codes.
    """
    return Question(
        published.model,
        published.buyer,
        published.scenario,
        published.day,
        EFFORT,
        rows,
        lower_bound=published.rows["model_cost"]["lower_bound"][0],
    )


def sensitivity_rows(
    inputs: WorkspaceInputs, question: Question, published: PublishedPlan, prices: PricesOnDate
) -> list[Row]:
    """SENSITIVITY rows of one published plan: the answers of `kitfare whatif` to one change each.

    Args:
        inputs: the workspace.
        question: as of sensitivity_question.
        published: the plan.
        prices: of the plan's date.
    """
    of_day = {question.day: prices}
    planned = plan_as_it_is(inputs, question, of_day)
    rows = []
    for sensitivity in sensitivities_of(published):
        asked = replace(question, changes=sensitivity.changes)
        rows.append(_row(published, sensitivity, answer_what_if(inputs, asked, of_day, planned)))
    return rows


def _row(published: PublishedPlan, sensitivity: Sensitivity, answer: Answer) -> Row:
    cost_row = published.rows["model_cost"].row(0, named=True)
    difference = answer.difference if answer.is_at_equal_fill else None
    return {
        **{name: cost_row[name] for name in ("priced_on", "model_code", "scenario_code", "buyer_code")},
        "assumption": sensitivity.assumption,
        "sensitivity_side": sensitivity.side,
        "changed_to": sensitivity.words,
        "currency_code": cost_row["currency_code"],
        "complete_cost": answer.changed.complete_cost,
        "sensitivity_amount": None if difference is None else difference.amount,
        "sensitivity_low": None if difference is None else difference.between.low,
        "sensitivity_high": None if difference is None else difference.between.high,
        "unfilled_piece_count": answer.changed.unfilled_piece_count,
    }
