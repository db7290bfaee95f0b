"""The cost sheet of a model, which may be published: what it costs, how to save most, how sure that is, as of when."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from pipelines.money import cost_interval
from pipelines.reporting.basis.events import KINDS, Event, events, events_table
from pipelines.reporting.basis.findings import Found, saving_in_words
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, is_usable, saving
from pipelines.reporting.basis.page_tables import Table, columns, count, day, money
from pipelines.reporting.basis.words import CAUTIONS, ESTIMATE_BASES, difference_in_words
from pipelines.reporting.drawings.timeline import timeline
from pipelines.reporting.model_pages.lines_to_change import SOME_COUNT, lines_to_change
from pipelines.reporting.model_pages.needs_file import ENDINGS, has_needs, needs_name
from pipelines.reporting.model_pages.palette import palette
from pipelines.reporting.model_pages.parcels import parcels
from pipelines.reporting.model_pages.ways import short_ways_table, steps_drawing, ways_drawing, ways_heading
from pipelines.reporting.sections.changes import change_between, prices_alone
from pipelines.reporting.sections.costs import (
    complete_cost,
    cost_coverage,
    how_good,
    no_history,
    pieces_priced,
)
from pipelines.settings import Buyer
from schemas.published.plans import PLAN_PURCHASE, UNFILLED_LINE

SHEET_SCENARIOS = ("listed", "flexible", "maker_first", "cheapest")
"""The rows of a sheet, at most four, so that it stays one screen."""
SHOWN_EVENTS = 6
"""The latest events in the table beside the past costs; the drawing has all."""


def sheet(page_data: PageData, model: ReportedModel) -> dict[str, Any]:
    """The values of a model's sheet."""
    sections = [_for_buyer(page_data, model, buyer) for buyer in page_data.buyers]
    found = [section for section in sections if section is not None]
    return {
        "model": model,
        "page_title": f"{model.title}: what its parts cost",
        "today": day(page_data.today),
        "palette": palette(page_data, model),
        "needs": [f"{needs_name(model)}{ending}" for ending in ENDINGS] if has_needs(page_data, model) else [],
        "sections": found,
        "why_empty": "" if found else _why_empty(page_data, model),
        "cautions": CAUTIONS,
    }


def _for_buyer(page_data: PageData, model: ReportedModel, buyer: Buyer) -> dict[str, Any] | None:
    codes = [code for code in SHEET_SCENARIOS if code in page_data.scenarios]
    plans = [plan for code in codes if (plan := page_data.plan(model.code, buyer.buyer_code, code)) is not None]
    if not plans:
        return None
    listed = page_data.plan(model.code, buyer.buyer_code, "listed")
    best = page_data.headline_plan(model.code, buyer.buyer_code)
    ways = short_ways_table(page_data, plans, listed, buyer)
    return {
        "buyer": buyer,
        "finding": _finding(page_data, buyer, listed, best),
        "ways_heading": ways_heading(page_data, plans),
        "ways": ways,
        "ways_chart": ways_drawing(page_data, plans, buyer, ways),
        "how_good": how_good(plans),
        "about": _about(page_data, plans),
        "steps": steps_drawing(page_data, listed, best, buyer),
        "lines": lines_to_change(page_data, model, buyer),
        "parcels": parcels(page_data, best),
        "past": _past(page_data, model, buyer, best),
        "can_buy": _can_buy(page_data, model, best),
        "not_included": _not_included(plans),
    }


def _finding(page_data: PageData, buyer: Buyer, listed: Row | None, best: Row | None) -> str:
    """What it costs, and what that saves: the first sentence of the page; empty where no cost may be stated."""
    if best is None or page_data.cost_is_withheld(best):
        return ""
    title, code = page_data.scenario_title(best["scenario_code"]), buyer.currency_code
    words = f"{title}: {complete_cost(page_data, best, with_code=True)}"
    found = saving(listed, best) if listed is not best else None
    if listed is None or found is None:
        return f"{words}."
    more = listed["unfilled_piece_count"] - best["unfilled_piece_count"]
    pieces = f", because it finds {count(more, 'more piece')}" if more > 0 and found.between.direction == -1 else ""
    saves = saving_in_words(listed["complete_cost"], Found(title, found.amount, found.between), code)
    return f"{words}; this {saves} against \u201c{page_data.scenario_title('listed')}\u201d{pieces}."


def _past(page_data: PageData, model: ReportedModel, buyer: Buyer, best: Row | None) -> dict[str, Any]:
    """The headline way's cost over time with what happened, and a heading that says how it moved since the last date."""
    dates = page_data.priced_dates(model.code, buyer.buyer_code)
    scenario = best["scenario_code"] if best is not None else "cheapest"
    plans = [page_data.plan(model.code, buyer.buyer_code, scenario, on) for on in dates]
    shown = [plan if plan and is_usable(plan) and not page_data.cost_is_withheld(plan) else None for plan in plans]
    costs = [None if plan is None else cost_interval(plan) for plan in shown]
    found = events(page_data, [model], buyer, dates[0], dates[-1]) if dates else []
    title = page_data.scenario_title(scenario) if scenario in page_data.scenarios else scenario
    chart = timeline(
        f"{title}, complete cost in {buyer.currency_code}",
        dates,
        [None if cost is None else float(cost.high) for cost in costs],
        [None if cost is None else (float(cost.low), float(cost.high)) for cost in costs],
        [(event.on, event.kind) for event in found],
        KINDS,
        lambda value: money(Decimal(str(value)), buyer.currency_code),
        "cheapest possible",
        "purchase found",
    )
    return {
        "heading": _moved(page_data, buyer, dates, best) or "Past costs",
        "chart": chart,
        "events": events_table([_unnamed(event, model) for event in found[-SHOWN_EVENTS:]]) if chart else None,
        "words": [each for each in (prices_alone(page_data, model, buyer), "" if chart else no_history(buyer)) if each],
    }


def _unnamed(event: Event, model: ReportedModel) -> Event:
    """An event without the model's title, which stands above the page."""
    words = event.words.removeprefix(f"{model.title}: ")
    return replace(event, words=words[:1].upper() + words[1:])


def _moved(page_data: PageData, buyer: Buyer, dates: list[date], best: Row | None) -> str:
    earlier = [on for on in dates if page_data.today and on < page_data.today]
    if best is None or not earlier:
        return ""
    before = page_data.plan(best["model_code"], buyer.buyer_code, best["scenario_code"], earlier[-1])
    changed = change_between(page_data, before, best)
    if before is None or changed is None:
        return ""
    code = buyer.currency_code
    moved = difference_in_words(*changed, lambda each: money(each, code), code)
    return f"Since {day(before['priced_on'])}: {moved}"


def _can_buy(page_data: PageData, model: ReportedModel, best: Row | None) -> dict[str, Any] | None:
    """Whether all pieces can be bought today, and what is missing, as far as it may be named."""
    if best is None:
        return None
    missing, pieces = best["unfilled_piece_count"], best["piece_count"]
    if not missing:
        all_of_them = f"All {count(pieces)} pieces" if pieces != 1 else "The piece"
        return {"heading": f"{all_of_them} can be bought today", "words": "", "table": None}
    code = best["currency_code"]
    words = f"The cost has an estimate of {money(best['unfilled_estimate'], code, with_code=True)} for what is missing."
    if best["unfilled_estimate_count"]:
        words += f" For {count(best['unfilled_estimate_count'], 'piece')} no price is known."
    rows = page_data.rows_of_plan(UNFILLED_LINE, best).to_dicts()
    most = {"none": 0, "some": SOME_COUNT, "all": len(rows)}[model.publish_lines]
    return {
        "heading": f"{count(missing)} of {count(pieces)} pieces can't be bought today",
        "words": words,
        "table": _missing_table(page_data, rows[:most], code),
    }


def _missing_table(page_data: PageData, rows: list[Row], code: str) -> Table | None:
    cells = tuple(
        (
            page_data.element_name(row["listed_part_code"], row["listed_colour_code"]),
            count(row["unfilled_piece_count"]),
            money(row["unfilled_estimate"] if row["estimate_basis"] != "none" else None, code),
            ESTIMATE_BASES[row["estimate_basis"]],
        )
        for row in rows
    )
    headings = columns("Missing", "#Pieces", "#Estimate", "Estimated from")
    return Table(f"What is missing, in {code}", headings, cells, is_stacked=True) if cells else None


def _about(page_data: PageData, plans: list[Row]) -> list[tuple[str, str]]:
    """Label and value: what the figures hold for."""
    first = plans[0]
    copies = f", for {first['copy_count']} copies" if first["copy_count"] > 1 else ""
    items = [
        ("Parts list", f"version {first['list_version']}, {count(first['piece_count'], 'piece')}{copies}"),
        ("Condition", condition(page_data, plans)),
    ]
    least = min(plans, key=lambda plan: cost_coverage(plan) or 0)
    if (cost_coverage(least) or 0) < 1:
        items.append(("Pieces with a price", pieces_priced(least)))
    oldest = min((plan["oldest_offer_on"] for plan in plans if plan["oldest_offer_on"]), default=None)
    if oldest is not None and page_data.today is not None:
        date_of_it = f" ({day(oldest)})" if oldest < page_data.today else ""
        items.append(("Oldest price", age(oldest, page_data.today) + date_of_it))
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


def _not_included(plans: list[Row]) -> str:
    priced = next((plan for plan in plans if plan["instructions_cost"] is not None), None)
    figure = f" ({money(priced['instructions_cost'], priced['currency_code'], with_code=True)})" if priced else ""
    return f"Not included: the instructions{figure}, bank charges, returns, your time."


def _why_empty(page_data: PageData, model: ReportedModel) -> str:
    if page_data.today is None:
        return "No model has been priced yet."
    own = model.inputs
    if own is not None and own.settings.version_on(page_data.today) is None:
        first = min(version.released_on for version in own.settings.versions)
        return f"There is no plan for {day(page_data.today)}: the parts list is dated {day(first)}."
    return f"There is no plan for {day(page_data.today)}."
