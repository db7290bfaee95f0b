"""The cost sheet of a model, which may be published."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from pipelines.reporting.basis.findings import Found, saving_in_words
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, is_usable, saving
from pipelines.reporting.basis.page_tables import count, day, money
from pipelines.reporting.basis.words import (
    CAUTIONS,
    COMPLETE_COST_WORDS,
    difference_in_words,
    unique_sentences,
)
from pipelines.reporting.sections.buying import buying_of
from pipelines.reporting.sections.changes import change_between, prices_alone, what_changed
from pipelines.reporting.sections.costs import (
    charted_scenarios,
    complete_cost,
    cost_chart,
    cost_coverage,
    how_good,
    least_certain,
    no_history,
    pieces_priced,
    strip,
    ways_table,
)
from pipelines.reporting.sections.flexibility import flexible_lines_of
from pipelines.reporting.sections.orders_together import copies_table
from pipelines.settings import Buyer
from schemas.published.plans import PLAN_LINE, PLAN_PURCHASE

SHEET_SCENARIOS = ("listed", "flexible", "maker_first", "cheapest")
"""The rows of a sheet, at most four, so that it stays one screen."""


def sheet(page_data: PageData, model: ReportedModel) -> dict[str, Any]:
    """The values of a model's sheet."""
    sections = [_for_buyer(page_data, model, buyer) for buyer in page_data.buyers]
    found = [section for section in sections if section is not None]
    return {
        "model": model,
        "page_title": f"{model.title}: what its parts cost",
        "today": day(page_data.today),
        "sections": found,
        "why_empty": "" if found else _why_empty(page_data, model),
        "copies": copies_table(page_data, model),
        "cautions": CAUTIONS,
        "cost_words": COMPLETE_COST_WORDS,
        "methods": unique_sentences(*(section["methods"] for section in found)),
    }


def _for_buyer(page_data: PageData, model: ReportedModel, buyer: Buyer) -> dict[str, Any] | None:
    codes = [code for code in SHEET_SCENARIOS if code in page_data.scenarios]
    plans = [plan for code in codes if (plan := page_data.plan(model.code, buyer.buyer_code, code)) is not None]
    if not plans:
        return None
    listed = page_data.plan(model.code, buyer.buyer_code, "listed")
    best = page_data.headline_plan(model.code, buyer.buyer_code)
    changed_table, changed_words = what_changed(page_data, model, buyer, plans)
    charted = [code for code in charted_scenarios(page_data, model.code, buyer) if code in codes]
    chart = cost_chart(page_data, model.code, buyer, charted)
    flexibility, buying = flexible_lines_of(page_data, model, buyer), buying_of(page_data, model, buyer)
    return {
        "buyer": buyer,
        "findings": _findings(page_data, model, buyer, listed, best),
        "strip": _strip(page_data, listed, best),
        "ways": ways_table(page_data, plans, listed, f"What it costs today, in {buyer.currency_code}"),
        "how_good": how_good(plans),
        "about": _about(page_data, plans),
        "flexibility": flexibility,
        "buying": buying,
        "changed": changed_table,
        "changed_words": changed_words,
        "chart": chart,
        "chart_words": [least_certain(page_data, model.code, buyer, charted)]
        if chart
        else [no_history(buyer), prices_alone(page_data, model, buyer)],
        "not_included": _not_included(plans, buyer),
        "methods": flexibility.methods,
    }


def _findings(
    page_data: PageData, model: ReportedModel, buyer: Buyer, listed: Row | None, best: Row | None
) -> list[str]:
    """What it costs, what that saves, and how it moved: the first sentences of the page."""
    if best is None or page_data.cost_is_withheld(best):
        return []
    title, code = page_data.scenario_title(best["scenario_code"]), buyer.currency_code
    words = f"{title}: {complete_cost(page_data, best, with_code=True)}."
    found = saving(listed, best) if listed is not best else None
    if listed is not None and found is not None:
        saves = saving_in_words(listed["complete_cost"], Found(title, found.amount, found.between), code)
        words = f"{words[:-1]}. This {saves} against \u201c{page_data.scenario_title('listed')}\u201d."
    earlier = [
        on for on in page_data.priced_dates(model.code, buyer.buyer_code) if page_data.today and on < page_data.today
    ]
    before = page_data.plan(model.code, buyer.buyer_code, best["scenario_code"], earlier[-1]) if earlier else None
    changed = change_between(page_data, before, best)
    if before is None or changed is None:
        return [words]
    moved = difference_in_words(*changed, lambda each: money(each, code), code)
    return [words, f"Since {day(before['priced_on'])}: {moved}."]


def _strip(page_data: PageData, listed: Row | None, best: Row | None) -> list[dict[str, Any]]:
    items = []
    if best is not None:
        items.append(
            (
                page_data.scenario_title(best["scenario_code"]),
                complete_cost(page_data, best, with_code=True),
                _parcels(best),
            )
        )
    if listed is not None:
        title = page_data.scenario_title("listed")
        items.append((title, complete_cost(page_data, listed, with_code=True), _parcels(listed)))
    if listed is not None and best is not None and (found := saving(listed, best)) is not None:
        more = listed["unfilled_piece_count"] - best["unfilled_piece_count"]
        if found.amount < 0 and more > 0:
            figure = money(-found.amount, best["currency_code"], with_code=True)
            items.append(("Dearer than as designed", figure, f"because it finds {count(more, 'more piece')}"))
    if best is not None and best["instructions_cost"] is not None:
        code = best["currency_code"]
        both = money(best["complete_cost"] + best["instructions_cost"], code, with_code=True)
        note = f"not in the totals; with parts {both}"
        items.append(("Instructions", money(best["instructions_cost"], code, with_code=True), note))
    return strip(items)


def _parcels(plan: Row) -> str:
    """In how many parcels the pieces come, and how many do not."""
    missing = plan["unfilled_piece_count"]
    parcels = count(plan["vendor_count"], "parcel")
    return f"{parcels}; {count(missing, 'piece')} missing, estimated" if missing else parcels


def _about(page_data: PageData, plans: list[Row]) -> list[tuple[str, str]]:
    """Label and value: what the figures hold for."""
    first = plans[0]
    copies = f", for {first['copy_count']} copies" if first["copy_count"] > 1 else ""
    items = [
        ("Parts list", f"version {first['list_version']}, {count(first['piece_count'], 'piece')}{copies}"),
        ("Condition", condition(page_data, plans)),
        ("Pieces with a price", pieces_priced(min(plans, key=lambda plan: cost_coverage(plan) or 0))),
    ]
    oldest = min((plan["oldest_offer_on"] for plan in plans if plan["oldest_offer_on"]), default=None)
    if oldest is not None and page_data.today is not None:
        date_of_it = f" ({day(oldest)})" if oldest < page_data.today else ""
        items.append(("Oldest price", age(oldest, page_data.today) + date_of_it))
    cheapest = next((plan for plan in plans if plan["scenario_code"] == "cheapest" and is_usable(plan)), None)
    if cheapest is not None and (changes := _changes_to_the_list(page_data, cheapest)):
        items.append((page_data.scenario_title("cheapest"), changes))
    return items


def age(then: date, now: date) -> str:
    """``from today`` or ``12 days old``."""
    days = (now - then).days
    return "from today" if days <= 0 else f"{count(days, 'day')} old"


def condition(page_data: PageData, plans: list[Row]) -> str:
    """Which conditions the plans really buy."""
    bought: set[str] = set()
    for plan in plans:
        bought |= set(page_data.rows_of_plan(PLAN_PURCHASE, plan)["condition"].unique())
    return "new and used parts" if "used" in bought else "new parts only"


def _changes_to_the_list(page_data: PageData, plan: Row) -> str:
    """How many pieces of a plan differ from the list; empty where none do."""
    lines = page_data.rows_of_plan(PLAN_LINE, plan)
    is_other = ~pl.col("is_listed_colour") & (pl.col("listed_colour_code") != "")  # some amendments list no colour
    colours = int(lines.filter(is_other)["quantity"].sum())
    forms = int(lines.filter(~pl.col("is_listed_part"))["quantity"].sum())
    changes = ((colours, "colour"), (forms, "form"))
    return ", ".join(f"{count(number, 'piece')} in another {what}" for number, what in changes if number)


def _not_included(plans: list[Row], buyer: Buyer) -> list[str]:
    items = ["the instructions, unless a figure says so"]
    missing = max(plan["unfilled_piece_count"] for plan in plans)
    if missing:
        items.append("pieces that can't be bought today, except as an estimate")
    margin = (
        f" beyond {buyer.exchange_margin_pct.normalize():f} % on the exchange rate" if buyer.exchange_margin_pct else ""
    )
    items.append(f"bank and payment charges{margin}")
    items.append("returns, wrong or missing pieces, and your time")
    spares = max(plan["spare_piece_count"] for plan in plans)
    if spares:
        items.append(f"the value of spare pieces (up to {count(spares)})")
    return items


def _why_empty(page_data: PageData, model: ReportedModel) -> str:
    if page_data.today is None:
        return "No model has been priced yet."
    own = model.inputs
    if own is not None and own.settings.version_on(page_data.today) is None:
        first = min(version.released_on for version in own.settings.versions)
        return f"There is no plan for {day(page_data.today)}: the parts list is dated {day(first)}."
    return f"There is no plan for {day(page_data.today)}."
