"""The report of one model in one month: one screen of figures first, then what moved, what is to be had, and when to buy."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row
from pipelines.reporting.basis.page_tables import Table, columns, count, day, gap, money, month_name, number, percent
from pipelines.reporting.basis.words import (
    CHANGE_PARTS,
    CHOSEN_ANEW,
    INDEX_NAMES,
    METHODS,
    REVISED_COSTS,
    REVISION_REASONS,
)
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.lines import line_chart
from pipelines.reporting.drawings.look import DASHES
from pipelines.reporting.month.month_charts import (
    band_words,
    contribution_chart,
    contribution_table,
    index_chart,
    spread_of_changes,
)
from pipelines.reporting.sections.availability import availability_section
from pipelines.reporting.sections.costs import (
    WITHHELD,
    complete_cost,
    cost_chart,
    cost_coverage,
    least_certain,
    no_history,
    strip,
)
from pipelines.reporting.sections.movers import movers_table, vendor_changes_table
from pipelines.reporting.sections.timing import above_lowest, timing_section
from pipelines.settings import Buyer
from schemas.published.over_time import COST_CHANGE, NIGHTLY_COST
from schemas.published.price_index import INDEX_REVISION

MOST_BREAKS = 3
"""Breaks told by date; the table cost_change has them all."""


def model_report(page_data: PageData, model: ReportedModel, month: str) -> dict[str, Any] | None:
    """Everything the templates of a model's report show; None if there is nothing of it in the month."""
    cut_off = page_data.date_in_month(month)
    sections = [_for_buyer(page_data, model, buyer, month, cut_off) for buyer in page_data.buyers]
    found = [section for section in sections if section is not None]
    if not found:
        return None
    return {
        "page_title": f"{model.title}: {month_name(month)}",
        "model": model,
        "month": month,
        "month_name": month_name(month),
        "cut_off": day(cut_off),
        "sections": found,
        "methods": METHODS,
        "floor": percent(page_data.settings.report.coverage_floor * 100, digits=0),
    }


def is_reported(page_data: PageData, model: ReportedModel, buyer: Buyer, month: str, cut_off: date | None) -> bool:
    """Whether there is a plan or an index of a model in a month."""
    has_plan = cut_off is not None and bool(page_data.plans(model.code, buyer.buyer_code, cut_off))
    return has_plan or page_data.index(model.code, buyer.buyer_code, month) is not None


def _for_buyer(
    page_data: PageData, model: ReportedModel, buyer: Buyer, month: str, cut_off: date | None
) -> dict[str, Any] | None:
    if not is_reported(page_data, model, buyer, month, cut_off):
        return None
    code = buyer.buyer_code
    plan = page_data.headline_plan(model.code, code, cut_off) if cut_off else None
    index = page_data.index(model.code, code, month)
    scenarios = charted_scenarios(page_data, model, buyer)
    costs = cost_chart(page_data, model.code, buyer, scenarios, cut_off)
    spread, spread_words = spread_of_changes(page_data, model.code, code, month)
    changed, changed_words = _cost_change(page_data, plan)
    return {
        "buyer": buyer,
        "strip": _strip(page_data, model, buyer, plan, index, month),
        "costs": costs,
        "nights": nights_chart(page_data, model, buyer)
        if page_data.today and month == f"{page_data.today:%Y-%m}"
        else None,
        "index": index_chart(page_data, model.code, buyer, month),
        "words": [
            words
            for words in (
                contribution_words(page_data, model.code, code, month),
                band_words(page_data, model.code, code, month),
                least_certain(page_data, model.code, buyer, scenarios, cut_off) if costs else no_history(buyer),
            )
            if words
        ],
        "changed": changed,
        "changed_words": changed_words,
        "contributions": contribution_chart(page_data, model.code, code, month),
        "contribution_table": contribution_table(page_data, model.code, code, month),
        "spread": spread,
        "spread_words": spread_words,
        "movers": movers_table(page_data, buyer, month, model.code),
        "vendors": vendor_changes_table(page_data, model.code, buyer, month),
        "availability": availability_section(page_data, model, code, month),
        "timing": timing_section(page_data, model.code, buyer, month),
        "revisions": revisions_table(page_data, [model], buyer, month),
    }


def charted_scenarios(page_data: PageData, model: ReportedModel, buyer: Buyer) -> list[str]:
    """The scenarios that were ever planned, at most as many as there are ways to draw a line."""
    days = page_data.priced_dates(model.code, buyer.buyer_code)
    planned = {plan["scenario_code"] for on in days for plan in page_data.plans(model.code, buyer.buyer_code, on)}
    return [code for code in page_data.scenarios if code in planned][: len(DASHES)]


def why_cost_is_withheld(page_data: PageData, plan: Row | None) -> str:
    """The reason, empty where the complete cost is shown."""
    if plan is None or not page_data.cost_is_withheld(plan):
        return ""
    floor = percent(page_data.settings.report.coverage_floor * 100, digits=0)
    return f"only {percent((cost_coverage(plan) or 0) * 100)} of the pieces have any price, and the floor is {floor}"


def why_index_is_withheld(page_data: PageData, index: Row | None) -> str:
    """The reason, empty where the index is shown."""
    if index is None or not index["is_withheld"]:
        return ""
    floor = percent(page_data.settings.report.coverage_floor * 100, digits=0)
    return f"only {percent(index['coverage_share'] * 100)} of the list, by cost, has a price of its own, and the floor is {floor}"


def _strip(
    page_data: PageData, model: ReportedModel, buyer: Buyer, plan: Row | None, index: Row | None, month: str
) -> list[dict[str, Any]]:
    items = []
    if plan is not None:
        covered = percent((cost_coverage(plan) or 0) * 100)
        how_good = (
            f"at most {gap(plan['gap_pct'])} above the best possible" if plan["gap_pct"] else "the cheapest possible"
        )
        note = why_cost_is_withheld(page_data, plan) or (
            f"{page_data.scenario_title(plan['scenario_code'])}; {covered} of the pieces priced; {how_good}"
        )
        items.append(("Complete cost", complete_cost(page_data, plan, with_code=True), note))
    if index is not None:
        reason = why_index_is_withheld(page_data, index)
        covered = f"{percent(index['coverage_share'] * 100)} of the list, by cost, has a price of its own"
        level = WITHHELD if reason else number(index["index_level"])
        items.append(("Price index", level, reason or f"{month_name(index['base_month'])} = 100; {covered}"))
        one, twelve = (
            WITHHELD if reason else percent(index[f"change_{span}_pct"], signed=True)
            for span in ("1_month", "12_months")
        )
        items.append(("Prices, 1 month", one, f"12 months: {twelve}"))
    low = above_lowest(page_data, model.code, buyer.buyer_code) if month == f"{page_data.today:%Y-%m}" else None
    if low is not None:
        lowest = f"12-month low: {month_name(low['lowest_month'])}"
        items.append(("Cost against its low", percent(low["above_lowest_pct"], signed=True), lowest))
    return strip(items)


def contribution_words(page_data: PageData, model_code: str, buyer_code: str, month: str) -> str:
    """How the month's change of the index splits into rises, falls and imputed lines; empty where there is no change."""
    points = page_data.contributions(model_code, buyer_code, month)
    if points is None:
        return ""
    up, down, carried = (number(points[name], 2, signed=True) for name in ("up", "down", "carried"))
    words = f"Of the month's change, lines that rose gave {up} percentage points and lines that fell {down}"
    return words + ("." if carried == "0.00" else f"; imputed lines gave {carried}.")


def _cost_change(page_data: PageData, plan: Row | None) -> tuple[Table | None, list[str]]:
    """What the change in complete cost comes from, since the date before and since the first; parts that are nothing are left out.

    The first date is that of the latest run of dates whose plans can be compared. Words say what choosing anew gained, as the view
    buyers_gain works it out, and where the costs are not of the same thing.
    """
    if plan is None or page_data.cost_is_withheld(plan):
        return None, []
    steps = _steps_back(page_data, plan)
    if not steps:
        return None, []
    code = plan["currency_code"]
    latest = _by_part(steps[:1])
    whole = _by_part(steps)
    before, first = steps[0][0]["compared_on"], steps[-1][0]["compared_on"]
    spans = [latest] if before == first else [latest, whole]
    rows = [
        (words, *(money(span.get(part, Decimal(0)), code, signed=True) for span in spans))
        for part, words in CHANGE_PARTS.items()
        if any(span.get(part) for span in spans)
    ]
    rows.append(("Together", *(money(sum(span.values(), Decimal(0)), code, signed=True) for span in spans)))
    since = [f"#Since {day(on)}" for on in (before, first)][: len(spans)]
    table = Table(
        f"Where the change in complete cost comes from, in {code}",
        columns("From", *since),
        tuple(rows),
        frozenset({len(rows) - 1}),
    )
    gained = -sum((whole.get(part, Decimal(0)) for part in CHOSEN_ANEW), Decimal(0))
    words = [
        f"Choosing anew since {day(first)} (other vendors, colours and forms, and the parcels that came with them) has "
        f"{'saved' if gained >= 0 else 'cost'} {money(abs(gained), code, with_code=True)} against buying as before. "
        "Summed step by step, bargains that end count as dearer prices and new ones as savings; what prices alone did is the index."
    ]
    breaks = [rows_of[0] for rows_of in steps if any(row["is_break"] for row in rows_of)]
    if breaks:
        reported = ", ".join(f"{day(row['compared_on'])} to {day(row['priced_on'])}" for row in breaks[:MOST_BREAKS])
        words.append(
            f"In {len(breaks)} of {count(len(steps), 'step')} the parts list or our decisions changed, so the costs before and after are not "
            f"of the same thing. The latest: {reported}."
        )
    return table, words


def _steps_back(page_data: PageData, plan: Row) -> list[list[Row]]:
    """Rows of cost_change of a plan, of the plan it is compared with, and so on; the latest first."""
    key = {name: plan[name] for name in ("model_code", "scenario_code", "buyer_code")}
    steps: list[list[Row]] = []
    on = plan["priced_on"]
    while rows := page_data.rows(COST_CHANGE, **key, priced_on=on):
        steps.append(rows)
        on = rows[0]["compared_on"]
    return steps


def _by_part(steps: list[list[Row]]) -> dict[str, Decimal]:
    parts: dict[str, Decimal] = {}
    for row in (row for rows in steps for row in rows):
        parts[row["change_part"]] = parts.get(row["change_part"], Decimal(0)) + row["cost_change"]
    return parts


def revisions_table(page_data: PageData, models: list[ReportedModel], buyer: Buyer, month: str) -> Table | None:
    """What a month is now reported otherwise than at first: index levels, and costs of its end as that night published them."""
    rows: list[tuple[str, ...]] = []
    for model in models:
        rows += [
            (
                model.title,
                str(INDEX_NAMES.get(row["index_method"], row["index_method"])),
                f"{number(row['first_published_level'], 2)} ({day(row['first_published_on'])})",
                number(row["index_level"], 2),
                number(row["revision_points"], 2, signed=True),
                REVISION_REASONS[row["revision_reason"]],
            )
            for row in page_data.rows(INDEX_REVISION, model_code=model.code, buyer_code=buyer.buyer_code, month=month)
        ]
        rows += _revised_costs(page_data, model, buyer, page_data.date_in_month(month))
    headings = columns("Model", "Figure", "#First published", "#Now", "#Difference", "Why")
    caption = f"What changed since {month_name(month)} was first reported"
    return Table(caption, headings, tuple(rows), is_stacked=True) if rows else None


def _revised_costs(page_data: PageData, model: ReportedModel, buyer: Buyer, on: date | None) -> list[tuple[str, ...]]:
    """Complete costs of a date that its own night published otherwise; kept for two months."""
    found: list[tuple[str, ...]] = []
    for row in page_data.rows(NIGHTLY_COST, model_code=model.code, buyer_code=buyer.buyer_code, priced_on=on):
        now = page_data.plan(model.code, buyer.buyer_code, row["scenario_code"], on)
        if now is None or now["complete_cost"] == row["complete_cost"]:
            continue
        if "refused" in (now["plan_status"], row["plan_status"]) or page_data.cost_is_withheld(now):
            continue
        code = now["currency_code"]
        why = REVISED_COSTS if now["effort"] != page_data.settings.refresh.effort else REVISION_REASONS["prices"]
        found.append(
            (
                model.title,
                f"Complete cost: {page_data.scenario_title(row['scenario_code'])}",
                f"{money(row['complete_cost'], code)} ({day(on)})",
                money(now["complete_cost"], code),
                money(now["complete_cost"] - row["complete_cost"], code, signed=True),
                why,
            )
        )
    return found


def nights_chart(page_data: PageData, model: ReportedModel, buyer: Buyer) -> Chart | None:
    """Complete cost on each of the last nights, as those nights published it; today is the last."""
    published = {
        (row["scenario_code"], row["priced_on"]): row
        for row in page_data.rows(NIGHTLY_COST, model_code=model.code, buyer_code=buyer.buyer_code)
        if row["plan_status"] != "refused"
    }
    nights = sorted({night for _, night in published})
    lines = [
        Line(
            page_data.scenario_title(code),
            tuple(
                float(row["complete_cost"]) if (row := published.get((code, night))) is not None else None
                for night in nights
            ),
            style,
        )
        for style, code in enumerate(page_data.scenarios)
        if code in NIGHTS_SCENARIOS
    ]

    def tell(value: float) -> str:
        return money(Decimal(str(value)), buyer.currency_code)

    return line_chart(f"Complete cost night by night, {buyer.currency_code}", nights, lines, tell, data_name="nights")


NIGHTS_SCENARIOS = ("cheapest", "listed")
