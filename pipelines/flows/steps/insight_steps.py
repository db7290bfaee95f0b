"""The steps about what the night's plans mean: savings, variants, suspect prices, other ways of buying."""

from __future__ import annotations

import polars as pl

from pipelines.flows.steps.night import Night
from pipelines.insight import buying_tables
from pipelines.insight.flexibility import savings
from pipelines.insight.what_if import plan_variants, suspect_prices
from schemas.published.what_if import PLAN_VARIANT


def work_out_savings(night: Night) -> Night:
    """What flexible lines save in the priced date's plans, line by line, and which undecided lines to look at first."""
    cache_folder = night.workspace.root / ".plan_cache"
    return night.with_tables(
        savings.flexibility_savings(night.inputs, night.market, night.plans, night.day, cache_folder)
    )


def explain_plans(night: Night) -> Night:
    """What the cheapest mixes of the priced date would cost with other vendors, fewer parcels or other shipping charges."""
    return night.with_tables(plan_variants.plan_variants(night.inputs, night.market, night.plans, night.day))


def rank_suspects(night: Night) -> Night:
    """Rank suspect prices by what they could cost, and add plans that trust them to the variants."""
    ranked, trusting = suspect_prices.ranked_suspects(
        night.inputs, night.market, night.plans, night.suspects, night.day
    )
    every = pl.concat([night.tables[PLAN_VARIANT.name], trusting]).sort(PLAN_VARIANT.key)
    return night.with_tables({PLAN_VARIANT.name: every, "suspect_price": ranked})


def compare_ways_of_buying(night: Night) -> Night:
    """Orders for several models, what the maker's shop changes, whole costs, and sensitivity to assumptions, on the date."""
    markets, day = night.markets, night.day
    seen, summaries = markets.last_seen[day], markets.summaries[day]
    return night.with_tables(buying_tables.buying_tables(night.inputs, night.market, seen, summaries, night.plans, day))
