"""Keeps planned savings of lines under the hash of all that shaped them, so that a night without a change plans none again."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import polars as pl

from pipelines.costing.several_orders import vendor_of
from pipelines.costing.terms_on import SIZES, assumed_size
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.flexibility.line_plans import PlannedSaving, PlannedSavings
from pipelines.insight.flexibility.part_flexibility import PartFlexibility
from pipelines.insight.flexibility.portion_costs import Flexibility
from pipelines.insight.replanning.published_plans import PLAN_TABLES, PublishedPlan
from pipelines.money import Interval
from pipelines.planning.night import planner_version, without_sightings
from pipelines.planning.plan_cache import PlanCache, digest
from pipelines.planning.scenarios import ModelPlanning
from pipelines.resources import digest_of
from pipelines.settings import Scenario

_TABLE = "planned_saving"
_NOT_OF_THE_PLAN = ("model_title", "priced_on", "oldest_offer_on")
_AMOUNT = pl.Decimal(18, 4)
_SCHEMA = pl.Schema(
    {
        "line_number": pl.Int64(),
        "bit": pl.Int64(),
        "saving_view": pl.String(),
        "saving": _AMOUNT,
        "saving_low": _AMOUNT,
        "saving_high": _AMOUNT,
    }
)


def key_of(
    inputs: WorkspaceInputs,
    published: PublishedPlan,
    planning: ModelPlanning,
    listed: Scenario,
    parts: PartFlexibility,
    chosen: Sequence[Flexibility],
) -> str:
    """The hash of everything that shapes the plans of some lines: rules, needs, offers, terms, and the plans they start from.

    The date is not among them: what it implies is.

    Args:
        inputs: the workspace.
        published: the flexible plan, with the rows of the listed plan.
        planning: of the model.
        listed: the scenario in which no flexibility counts.
        parts: candidates in which only some flexibility counts.
        chosen: the flexibilities to plan, the most important first.
    """
    scenarios = (listed, published.scenario)
    every_part = inputs.tables["parts"]
    own_parts = every_part.filter(pl.col("part_code").is_in(published.market["part_code"].unique().to_list()))
    vendors = sorted(set(published.market["vendor_code"]))
    return digest(
        planner_version(),
        _own_version(),
        list(chosen),
        [scenario.model_dump(exclude={"title"}) for scenario in scenarios],
        published.buyer.model_dump(exclude={"title", "plan_past_months"}),
        *parts.shaping_frames,
        without_sightings(published.market).sort("offer_id", "step_from_quantity"),
        own_parts.sort("part_code"),
        [assumed_size(every_part, name) for name in SIZES],
        inputs.tables["stock_on_hand"] if any(scenario.use_stock_on_hand for scenario in scenarios) else None,
        # A vendor's further orders have terms of their own.
        [(code, terms) for code, terms in sorted(planning.book.vendors.items()) if vendor_of(code) in vendors],
        *(
            rows[name].drop(_NOT_OF_THE_PLAN, strict=False)
            for rows in (published.rows, published.listed)
            for name in PLAN_TABLES
        ),
    )


@cache
def _own_version() -> str:
    """What identifies the code from the published plans to the savings."""
    here = Path(__file__).resolve().parent
    return digest_of(sorted([*here.glob("*.py"), *(here.parent / "replanning").glob("*.py")]), ())


def fetch(kept: PlanCache, key: str) -> PlannedSavings | None:
    """The planned savings of an entry; None where there is none."""
    frames = kept.fetch(key, {_TABLE: _SCHEMA})
    if frames is None:
        return None
    return {
        ((line, bit), view): PlannedSaving(saving, Interval(low, high))
        for line, bit, view, saving, low, high in frames[_TABLE].iter_rows()
    }


def store(kept: PlanCache, key: str, savings: PlannedSavings) -> None:
    """Write an entry."""
    rows = [
        (*flexibility, view, planned.saving, planned.range.low, planned.range.high)
        for (flexibility, view), planned in savings.items()
    ]
    kept.store(key, {_TABLE: pl.DataFrame(rows, schema=_SCHEMA, orient="row")})
