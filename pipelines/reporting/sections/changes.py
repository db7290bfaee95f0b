"""What changed since the last month end: the cost, and what may have changed it."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import polars as pl

from pipelines.money import Interval, cost_interval
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row, is_usable
from pipelines.reporting.basis.page_tables import NOTHING, Table, change, columns, count, ends, percent, short_day
from pipelines.reporting.sections.costs import complete_cost
from pipelines.settings import Buyer

BETWEEN_WORDS = "Between: what the cost of the cheapest possible purchase may have changed by."


def what_changed(
    page_data: PageData, model: ReportedModel, buyer: Buyer, plans: list[Row]
) -> tuple[Table | None, tuple[str, ...]]:
    """Costs at the latest month end beside today's, and sentences on prices, list, decisions and terms."""
    earlier = [
        d for d in page_data.priced_dates(model.code, buyer.buyer_code) if page_data.today and d < page_data.today
    ]
    if not earlier or page_data.today is None:
        return None, ()
    before_on = earlier[-1]
    pairs = [(page_data.plan(model.code, buyer.buyer_code, plan["scenario_code"], before_on), plan) for plan in plans]
    known = [(before, plan) for before, plan in pairs if before is not None]
    if not known:
        return None, ()
    rows = [
        (
            page_data.scenario_title(plan["scenario_code"]),
            complete_cost(page_data, before),
            complete_cost(page_data, plan),
            *_change(page_data, before, plan),
        )
        for before, plan in known
    ]
    table = Table(
        f"Complete cost, in {buyer.currency_code}",
        columns("Way of buying", f"#{short_day(before_on)}", "#Today", "#Change", "#Between"),
        tuple(rows),
        is_stacked=True,
    )
    words = [
        BETWEEN_WORDS,
        prices_alone(page_data, model, buyer),
        *_causes(page_data, model, *known[0], before_on, page_data.today),
    ]
    return table, tuple(word for word in words if word)


def change_between(page_data: PageData, before: Row | None, now: Row) -> tuple[Decimal, Interval] | None:
    """By how much the cost of a way of buying changed, and where the change of the best possible one lies; None where the two can't be compared."""
    if before is None or any(not is_usable(plan) or page_data.cost_is_withheld(plan) for plan in (before, now)):
        return None
    if before["unfilled_estimate_count"] != now["unfilled_estimate_count"]:
        return None
    return Decimal(now["complete_cost"] - before["complete_cost"]), cost_interval(now) - cost_interval(before)


def _change(page_data: PageData, before: Row, now: Row) -> tuple[str, str]:
    found = change_between(page_data, before, now)
    if found is None:
        return NOTHING, NOTHING
    code = now["currency_code"]
    return change(*found, code), ends(found[1], code, signed=True)


def prices_alone(page_data: PageData, model: ReportedModel, buyer: Buyer) -> str:
    """What prices alone did: the change of the fixed parts list's index."""
    row = page_data.index(model.code, buyer.buyer_code, f"{page_data.today:%Y-%m}")
    if row is None or row["is_withheld"] or row["change_1_month_pct"] is None:
        return ""
    moved = percent(row["change_1_month_pct"], signed=True)
    covered = percent(row["coverage_share"] * 100)
    return f"Prices alone: {moved} since last month (price index; {covered} of the list priced)."


def _causes(
    page_data: PageData, model: ReportedModel, before: Row, now: Row, before_on: date, today: date
) -> list[str]:
    causes = []
    if before["list_version"] != now["list_version"]:
        causes.append(f"The parts list went from version {before['list_version']} to {now['list_version']}.")
    if model.inputs is not None:
        decided = _dated_between(model.inputs.flexible_lines, "decided_on", before_on, today)
        decided += _dated_between(model.inputs.amendments, "valid_from_on", before_on, today)
        if decided:
            causes.append(f"{count(decided, 'decision')} about its lines took effect.")
    terms = page_data.workspace_table("vendor_terms")
    if terms is not None and terms.height:
        vendors = terms.filter(pl.col("valid_from_on").is_between(before_on, today, closed="right"))
        if vendors.height:
            causes.append(f"Terms changed at {count(vendors['vendor_code'].n_unique(), 'vendor')}.")
    return causes or ["Parts list, decisions and terms are the same."]


def _dated_between(frame: pl.DataFrame, column: str, after: date, until: date) -> int:
    return frame.filter(pl.col(column).is_between(after, until, closed="right")).height if frame.height else 0
