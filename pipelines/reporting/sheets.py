"""What a model's sheet says: the page a reviewer publishes."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from pipelines.reporting.buying import buying_of
from pipelines.reporting.changes import prices_alone, what_changed
from pipelines.reporting.costs import (
    NOT_TOLD_APART,
    complete_cost,
    cost_chart,
    cost_coverage,
    cost_words,
    how_good,
    least_certain,
    no_history,
    pieces_priced,
    strip,
    ways_table,
)
from pipelines.reporting.facts import Facts, ReportedModel, Row, Saving, is_usable, saving
from pipelines.reporting.freedoms import freedoms_of
from pipelines.reporting.orders_together import copies_table
from pipelines.reporting.tables import count, day, money, percent
from pipelines.reporting.words import CAUTIONS
from pipelines.settings import Buyer
from schemas.published.plans import PLAN_LINE, PLAN_PURCHASE

SHEET_SCENARIOS = ("listed", "freed", "counter_first", "best")
"""The rows of a sheet, at most four, so that it stays one screen."""


def sheet(facts: Facts, model: ReportedModel) -> dict[str, Any]:
    """Everything the templates of a sheet show."""
    sections = [_for_buyer(facts, model, buyer) for buyer in facts.buyers]
    found = [section for section in sections if section is not None]
    return {
        "model": model,
        "page_title": f"{model.title}: what its parts cost",
        "today": day(facts.today),
        "sections": found,
        "why_empty": "" if found else _why_empty(facts, model),
        "copies": copies_table(facts, model),
        "cautions": CAUTIONS,
        "cost_words": cost_words(facts),
    }


def _for_buyer(facts: Facts, model: ReportedModel, buyer: Buyer) -> dict[str, Any] | None:
    codes = [code for code in SHEET_SCENARIOS if code in facts.scenarios]
    plans = [plan for code in codes if (plan := facts.plan(model.code, buyer.buyer_code, code)) is not None]
    if not plans:
        return None
    listed = facts.plan(model.code, buyer.buyer_code, "listed")
    best = facts.headline_plan(model.code, buyer.buyer_code)
    changed_table, changed_words = what_changed(facts, model, buyer, plans)
    chart = cost_chart(facts, model.code, buyer, codes)
    return {
        "buyer": buyer,
        "strip": _strip(facts, listed, best),
        "ways": ways_table(facts, plans, listed, f"What it costs today, in {buyer.currency_code}"),
        "how_good": how_good(plans),
        "facts": _about(facts, plans),
        "freedoms": freedoms_of(facts, model, buyer),
        "buying": buying_of(facts, model, buyer),
        "changed": changed_table,
        "changed_words": changed_words,
        "chart": chart,
        "chart_words": [least_certain(facts, model.code, buyer, codes)]
        if chart
        else [no_history(buyer), prices_alone(facts, model, buyer)],
        "not_included": _not_included(plans, buyer),
    }


def _strip(facts: Facts, listed: Row | None, best: Row | None) -> list[dict[str, Any]]:
    items = []
    if best is not None:
        items.append(
            (facts.scenario_title(best["scenario_code"]), complete_cost(facts, best, with_code=True), _parcels(best))
        )
    if listed is not None:
        title = facts.scenario_title("listed")
        items.append((title, complete_cost(facts, listed, with_code=True), _parcels(listed)))
    if listed is not None and best is not None and (found := saving(listed, best)) is not None:
        more = listed["unfilled_piece_count"] - best["unfilled_piece_count"]
        if found.amount < 0 and more > 0:
            figure = money(-found.amount, best["currency_code"], with_code=True)
            items.append(("Dearer than as designed", figure, f"because {count(more, 'more piece')} can be bought"))
        else:
            items.append(("Saved by the cheaper way", *_saved_words(found, best["currency_code"])))
    if best is not None and best["instructions_cost"] is not None:
        code = best["currency_code"]
        both = money(best["complete_cost"] + best["instructions_cost"], code, with_code=True)
        note = f"not in the totals; with the parts {both}"
        items.append(("Instructions", money(best["instructions_cost"], code, with_code=True), note))
    return strip(items)


def _saved_words(found: Saving, currency_code: str) -> tuple[str, str]:
    """A saving and, apart from it, its share, so that the figure stays on one line."""
    if not found.is_told_apart:
        return NOT_TOLD_APART, "from exactly as designed"
    if found.share_pct is None:
        return money(found.amount, currency_code, with_code=True), "against exactly as designed"
    note = f"{percent(abs(found.share_pct))} {'less' if found.amount >= 0 else 'more'} than exactly as designed"
    return money(found.amount, currency_code, with_code=True), note


def _parcels(plan: Row) -> str:
    """In how many parcels the pieces come, and how many do not."""
    missing = plan["unfilled_piece_count"]
    told = f"today, in {count(plan['vendor_count'], 'parcel')}"
    return told + (f"; {count(missing, 'piece')} missing, estimated" if missing else "")


def _about(facts: Facts, plans: list[Row]) -> list[tuple[str, str]]:
    """Label and value: what the figures hold for."""
    first = plans[0]
    copies = f", for {first['copy_count']} copies" if first["copy_count"] > 1 else ""
    told = [
        ("Prices of", day(facts.today)),
        ("Parts list", f"version {first['list_version']}, {count(first['piece_count'], 'piece')}{copies}"),
        ("Condition", condition(facts, plans)),
        ("Pieces with a price", pieces_priced(min(plans, key=lambda plan: cost_coverage(plan) or 0))),
    ]
    oldest = min((plan["oldest_offer_on"] for plan in plans if plan["oldest_offer_on"]), default=None)
    if oldest is not None and facts.today is not None:
        told.append(("Oldest price used", f"{age(oldest, facts.today)} ({day(oldest)})"))
    stand_ins = _stand_ins(facts, plans)
    if stand_ins:
        told.append(("Cheapest way uses", stand_ins))
    return told


def age(then: date, now: date) -> str:
    """``today`` or ``12 days old``."""
    days = (now - then).days
    return "from today" if days <= 0 else f"{count(days, 'day')} old"


def condition(facts: Facts, plans: list[Row]) -> str:
    """Which conditions the plans really buy."""
    bought: set[str] = set()
    for plan in plans:
        bought |= set(facts.rows_of(PLAN_PURCHASE, plan)["condition"].unique())
    return "new and used parts" if "used" in bought else "new parts only"


def _stand_ins(facts: Facts, plans: list[Row]) -> str:
    """How many pieces of the cheapest way differ from the list."""
    best = next((plan for plan in plans if plan["scenario_code"] == "best" and is_usable(plan)), None)
    if best is None:
        return ""
    lines = facts.rows_of(PLAN_LINE, best)
    colours = int(lines.filter(~pl.col("is_listed_colour"))["quantity"].sum())
    forms = int(lines.filter(~pl.col("is_listed_part"))["quantity"].sum())
    told = [f"{count(colours, 'piece')} in another colour"] if colours else []
    return " and ".join(told + ([f"{count(forms, 'piece')} in another form"] if forms else []))


def _not_included(plans: list[Row], buyer: Buyer) -> list[str]:
    told = ["the instructions, unless a figure says so"]
    missing = max(plan["unfilled_piece_count"] for plan in plans)
    if missing:
        told.append("pieces that can't be bought today are in the complete cost as an estimate only")
    margin = (
        f" beyond {buyer.exchange_margin_pct.normalize():f} % on the exchange rate" if buyer.exchange_margin_pct else ""
    )
    told.append(f"bank and payment charges{margin}")
    told.append("returns, wrong or missing pieces, and your time")
    spares = max(plan["spare_piece_count"] for plan in plans)
    if spares:
        told.append(f"any value of spare pieces (up to {count(spares)} are left over)")
    return told


def _why_empty(facts: Facts, model: ReportedModel) -> str:
    if facts.today is None:
        return "No model has been priced yet."
    own = model.inputs
    if own is not None and own.settings.version_on(facts.today) is None:
        first = min(version.released_on for version in own.settings.versions)
        return f"There is no plan for {day(facts.today)}: the parts list is dated {day(first)}."
    return f"There is no plan for {day(facts.today)}."
