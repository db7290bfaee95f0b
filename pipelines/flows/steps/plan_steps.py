"""The step that plans: what to buy from whom, for every model, scenario, buyer and date."""

from __future__ import annotations

from pipelines.flows.steps.night import Night
from pipelines.planning import night as night_plans


def plan_purchases(night: Night, progress: night_plans.Progress) -> Night:
    """Plans for every model, scenario, buyer and date."""
    markets = night.markets
    return night.with_tables(
        night_plans.plan_night(
            night.inputs,
            markets.by_day,
            markets.last_seen,
            markets.summaries,
            night.day,
            night.workspace.root / ".plan_cache",
            progress,
        )
    )
