"""The report of one model in one month: figures, charts, what changed, what is on offer, when to buy."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from pipelines.money import Interval, exactly, round_half_up
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row
from pipelines.reporting.basis.page_tables import (
    Table,
    accuracy,
    change,
    columns,
    day,
    ends,
    money,
    month_name,
    number,
    percent,
)
from pipelines.reporting.basis.words import (
    CHANGE_PARTS,
    INDEX_NAMES,
    REVISION_REASONS,
)
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.lines import line_chart
from pipelines.reporting.month.month_charts import (
    band_words,
    contribution_chart,
    contribution_table,
    index_chart,
    spread_of_changes,
)
from pipelines.reporting.sections.availability import availability_section
from pipelines.reporting.sections.changes import BETWEEN_WORDS
from pipelines.reporting.sections.costs import (
    WITHHELD,
    charted_scenarios,
    complete_cost,
    cost_chart,
    cost_coverage,
    coverage_floor,
    least_certain,
    no_history,
    strip,
)
from pipelines.reporting.sections.movers import movers_table, vendor_changes_table
from pipelines.reporting.sections.timing import above_lowest, timing_section
from pipelines.settings import Buyer
from schemas.published.over_time import COST_CHANGE, NIGHTLY_COST
from schemas.published.price_index import INDEX_REVISION

NIGHTS_SCENARIOS = ("cheapest", "listed")
"""Scenarios in the chart of the last nights."""


def model_report(page_data: PageData, model: ReportedModel, month: str) -> dict[str, Any] | None:
    """The values of a model's report; None if there is no figure of it in the month."""
    cut_off = page_data.last_date_in(month)
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
    scenarios = charted_scenarios(page_data, model.code, buyer)
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


def why_cost_is_withheld(page_data: PageData, plan: Row | None) -> str:
    """The reason, empty where the complete cost is shown."""
    if plan is None or not page_data.cost_is_withheld(plan):
        return ""
    covered = percent((cost_coverage(plan) or 0) * 100)
    return f"only {covered} of the pieces have any price; {coverage_floor(page_data)} needed"


def why_index_is_withheld(page_data: PageData, index: Row | None) -> str:
    """The reason, empty where the index is shown."""
    if index is None or not index["is_withheld"]:
        return ""
    covered = percent(index["coverage_share"] * 100)
    return f"only {covered} of the list, by cost, has a price of its own; {coverage_floor(page_data)} needed"


def _strip(
    page_data: PageData, model: ReportedModel, buyer: Buyer, plan: Row | None, index: Row | None, month: str
) -> list[dict[str, Any]]:
    items = []
    if plan is not None:
        covered = percent((cost_coverage(plan) or 0) * 100)
        note = why_cost_is_withheld(page_data, plan) or (
            f"{page_data.scenario_title(plan['scenario_code'])}; {covered} of pieces priced; {accuracy(plan['gap_pct'])}"
        )
        items.append(("Complete cost", complete_cost(page_data, plan, with_code=True), note))
    if index is not None:
        reason = why_index_is_withheld(page_data, index)
        covered = f"{percent(index['coverage_share'] * 100)} of the list priced, by cost"
        level = WITHHELD if reason else number(index["index_level"])
        items.append(("Price index", level, reason or f"{month_name(index['base_month'])} = 100; {covered}"))
        one, twelve = (
            WITHHELD if reason else percent(index[f"change_{span}_pct"], signed=True)
            for span in ("1_month", "12_months")
        )
        items.append(("Prices, 1 month", one, f"12 months: {twelve}"))
    low = above_lowest(page_data, model.code, buyer.buyer_code) if month == f"{page_data.today:%Y-%m}" else None
    if low is not None:
        items.append(("Cost against its 12-month low", *low))
    return strip(items)


def contribution_words(page_data: PageData, model_code: str, buyer_code: str, month: str) -> str:
    """How much rises, falls and imputed lines gave to the month's change of the index; empty without one."""
    points = page_data.index_contributions(model_code, buyer_code, month)
    if points is None:
        return ""
    up, down, carried = (number(points[name], 2, signed=True) for name in ("up", "down", "carried"))
    words = f"Rises gave {up} percentage points of the month's change, falls {down}"
    return words + ("." if carried == "0.00" else f", imputed lines {carried}.")


def _cost_change(page_data: PageData, plan: Row | None) -> tuple[Table | None, list[str]]:
    """Where the change in complete cost since the date before comes from, and whether the costs are of the same thing.

    Parts of zero are left out. Changes of several steps are not added up: each step's choice of plan has a range, and their sum would
    say little.
    """
    if plan is None or page_data.cost_is_withheld(plan):
        return None, []
    key = {name: plan[name] for name in ("model_code", "scenario_code", "buyer_code", "priced_on")}
    steps = page_data.rows(COST_CHANGE, **key)
    if not steps:
        return None, []
    code, before = plan["currency_code"], steps[0]["compared_on"]
    parts = {row["change_part"]: row for row in steps}
    known = [(words, parts[part]) for part, words in CHANGE_PARTS.items() if part in parts]
    ranges = {words: Interval(row["cost_change_low"], row["cost_change_high"]) for words, row in known}
    rows = [
        (words, change(row["cost_change"], ranges[words], code), ends(ranges[words], code, signed=True))
        for words, row in known
        if row["cost_change"] or ranges[words].width
    ]
    whole = sum((row["cost_change"] for _, row in known), Decimal(0))
    together = sum(ranges.values(), exactly(Decimal(0)))
    rows.append(("Together", change(whole, together, code), ends(together, code, signed=True)))
    table = Table(
        f"Where the change in complete cost since {day(before)} comes from, in {code}",
        columns("From", "#Change", "#Between"),
        tuple(rows),
        frozenset({len(rows) - 1}),
    )
    words = [BETWEEN_WORDS]
    if any(row["is_break"] for row in steps):
        words.append(
            f"Since {day(before)} the parts list or our decisions changed: the two costs are not of the same thing."
        )
    return table, words


def revisions_table(page_data: PageData, models: list[ReportedModel], buyer: Buyer, month: str) -> Table | None:
    """Figures of a month that were first published otherwise: index levels, and costs at its end."""
    rows: list[tuple[str, ...]] = []
    for model in models:
        rows += [
            (
                model.title,
                str(INDEX_NAMES.get(row["index_method"], row["index_method"])),
                f"{number(row['first_published_level'], 2)} ({day(row['first_published_on'])})",
                number(row["index_level"], 2),
                number(_difference_shown(row["first_published_level"], row["index_level"]), 2, signed=True),
                REVISION_REASONS[row["revision_reason"]],
            )
            for row in page_data.rows(INDEX_REVISION, model_code=model.code, buyer_code=buyer.buyer_code, month=month)
        ]
        rows += _revised_costs(page_data, model, buyer, page_data.last_date_in(month))
    headings = columns("Model", "Figure", "#First published", "#Now", "#Difference", "Why")
    caption = f"What changed since {month_name(month)} was first reported"
    return Table(caption, headings, tuple(rows), is_stacked=True) if rows else None


def _difference_shown(before: float, now: float) -> Decimal:
    """The difference of two index levels as they are shown."""
    return round_half_up(Decimal(str(now)), 2) - round_half_up(Decimal(str(before)), 2)


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
        found.append(
            (
                model.title,
                f"Complete cost: {page_data.scenario_title(row['scenario_code'])}",
                f"{money(row['complete_cost'], code)} ({day(on)})",
                money(now["complete_cost"], code),
                money(now["complete_cost"] - row["complete_cost"], code, signed=True),
                REVISION_REASONS["prices"],
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

    def as_money(value: float) -> str:
        return money(Decimal(str(value)), buyer.currency_code)

    return line_chart(
        f"Complete cost night by night, {buyer.currency_code}", nights, lines, as_money, data_name="nights"
    )
