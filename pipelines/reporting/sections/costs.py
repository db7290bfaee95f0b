"""Costs of plans as tables, words and charts, for the sheet, the comparison and the monthly report."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

from pipelines.money import cost_interval, lowest
from pipelines.reporting.basis.look import DASHES
from pipelines.reporting.basis.page_data import PageData, Row, Saving, is_usable, places, ranked, saving
from pipelines.reporting.basis.page_tables import (
    NOTHING,
    Table,
    accuracy,
    columns,
    count,
    day,
    ends,
    gap,
    money,
    percent,
)
from pipelines.reporting.basis.words import NO_CLEAR_SAVING, WITHHELD_COST_WORDS, WITHHELD_INDEX_WORDS
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.lines import ShadedBand, line_chart
from pipelines.settings import Buyer

DEARER_WITH_MORE = "A way that finds more pieces can cost more."
"""Why a way of buying with more flexibility can cost more."""
REFUSED = "refused by a check"
BETWEEN_WORDS = "Between: what the cheapest possible purchases may save."
WITHHELD = "withheld"
ESTIMATED = "*"
"""Marks a complete cost with an estimate for missing pieces in it."""
FEWER_PIECES = "\u2020"
"""Marks a landed cost that can't be compared with another row's, because the plan buys fewer pieces."""


def complete_cost(page_data: PageData, plan: Row | None, *, with_code: bool = False) -> str:
    """A plan's complete cost: ``104.20``, ``at least 104.20`` if pieces lack any price, or why there is none."""
    if plan is None:
        return NOTHING
    if not is_usable(plan):
        return REFUSED
    if page_data.cost_is_withheld(plan):
        return WITHHELD
    cost = money(plan["complete_cost"], plan["currency_code"], with_code=with_code)
    return f"at least {cost}" if plan["unfilled_estimate_count"] else cost


def cost_coverage(plan: Row | None) -> float | None:
    """Share of a plan's pieces that have a price, bought, on hand or estimated; None without a plan."""
    if plan is None or not plan["piece_count"]:
        return None
    return float(1 - plan["unfilled_estimate_count"] / plan["piece_count"])


def pieces_priced(plan: Row | None) -> str:
    """The coverage of a plan's complete cost, for a table."""
    coverage = cost_coverage(plan)
    return NOTHING if coverage is None else percent(coverage * 100)


def withheld_cost_words(page_data: PageData) -> str:
    """When a complete cost is withheld."""
    return WITHHELD_COST_WORDS.format(floor=coverage_floor(page_data))


def withheld_index_words(page_data: PageData) -> str:
    """When a price index is withheld."""
    return WITHHELD_INDEX_WORDS.format(floor=coverage_floor(page_data))


def coverage_floor(page_data: PageData) -> str:
    """The least share with a price at which a figure is shown."""
    return percent(page_data.settings.report.coverage_floor * 100, digits=0)


def headline_cost(page_data: PageData, plan: Row | None, *, with_code: bool = False) -> str:
    """The complete cost of a headline plan; with its way of buying where that is not the cheapest mix."""
    cost = complete_cost(page_data, plan, with_code=with_code)
    if plan is None or plan["scenario_code"] == "cheapest":
        return cost
    return f"{cost} ({page_data.scenario_title(plan['scenario_code'])})"


def saving_words(found: Saving | None, currency_code: str, *, with_code: bool = False) -> str:
    """A saving with its share: ``14.70 (12.4 %)``; negative where the plan costs more."""
    if found is None:
        return NOTHING
    if not found.is_clear:
        return NO_CLEAR_SAVING
    share = f" ({percent(found.share_pct)})" if found.share_pct is not None else ""
    return money(found.amount, currency_code, with_code=with_code) + share


def saving_ends(found: Saving | None, currency_code: str) -> str:
    """Between which amounts a saving lies: ``13.20 to 14.90``."""
    return NOTHING if found is None else ends(found.between, currency_code)


def surely_cheapest(plans: Sequence[Row]) -> Row | None:
    """The plan that is the cheapest however exact all of them are; None where that is not known."""
    fewest = min((plan["unfilled_estimate_count"] for plan in plans), default=0)
    best = [plan for plan in plans if plan["unfilled_estimate_count"] == fewest]
    place = lowest([cost_interval(plan) for plan in best])
    return None if place is None else best[place]


def ways_table(page_data: PageData, plans: Sequence[Row], against: Row | None, caption: str) -> Table:
    """One row per plan: complete cost, its parts, parcels, missing pieces, the saving against one plan."""
    usable = [plan for plan in plans if is_usable(plan)]
    has_handling = any(plan["handling"] for plan in usable)
    has_estimates = any(plan["unfilled_piece_count"] for plan in usable)
    labels = ["Way of buying", "#Complete cost", "#Parts", "#Shipping"]
    labels += ["#Handling"] * has_handling + ["#Tax"] + ["#Estimate for missing"] * has_estimates
    labels += ["#Parcels", "#Missing pieces", "#Saved", "#Between"]
    rows = []
    for plan in plans:
        title = page_data.scenario_title(plan["scenario_code"])
        if not is_usable(plan):
            rows.append((title, REFUSED, *[NOTHING] * (len(labels) - 2)))
            continue
        code = plan["currency_code"]
        amounts = ["goods", "shipping"] + ["handling"] * has_handling + ["tax"] + ["unfilled_estimate"] * has_estimates
        found = None if plan == against else saving(against, plan)
        rows.append(
            (
                title,
                complete_cost(page_data, plan),
                *(money(plan[name], code) for name in amounts),
                count(plan["vendor_count"]),
                count(plan["unfilled_piece_count"]),
                saving_words(found, code),
                saving_ends(found, code),
            )
        )
    cheapest = surely_cheapest([plan for plan in usable if not page_data.cost_is_withheld(plan)])
    strong = frozenset(row for row, plan in enumerate(plans) if plan is cheapest)
    return Table(caption, columns(*labels), tuple(rows), strong, is_stacked=True)


def how_good(plans: Sequence[Row]) -> str:
    """One sentence on how near to the best possible a set of plans is."""
    usable = [plan for plan in plans if is_usable(plan)]
    if not usable:
        return ""
    widest = max(usable, key=lambda plan: float(plan["gap_pct"]))
    pieces = " for the pieces it buys" if any(plan["unfilled_piece_count"] for plan in usable) else ""
    words = f"Each way is {accuracy(widest['gap_pct'])}{pieces}."
    return f"{words} {DEARER_WITH_MORE}" if some_cost_more_for_more_pieces(usable) else words


def some_cost_more_for_more_pieces(plans: Sequence[Row]) -> bool:
    """Whether a plan with fewer missing pieces has a higher complete cost than one with more."""
    return any(
        one["unfilled_piece_count"] < other["unfilled_piece_count"] and one["complete_cost"] > other["complete_cost"]
        for one in plans
        for other in plans
    )


def comparison_table(page_data: PageData, plans: list[Row], against: Row | None, caption: str) -> Table:
    """All of a model's plans for one buyer, ranked by complete cost.

    Landed costs and missing pieces have columns only if a plan lacks pieces; landed costs at unequal fill are marked.
    """
    in_order = ranked(plans)
    refused = [plan for plan in plans if not is_usable(plan)]
    fewest = min((plan["unfilled_piece_count"] for plan in in_order), default=0)
    has_missing = any(plan["unfilled_piece_count"] for plan in in_order)
    rows: list[tuple[str, ...]] = []
    ranks = places([(plan["unfilled_estimate_count"], cost_interval(plan)) for plan in in_order])
    for plan, rank in zip(in_order, ranks, strict=True):
        code = plan["currency_code"]
        found = None if plan == against else saving(against, plan)
        landed = money(plan["landed_cost"], code) + (FEWER_PIECES if plan["unfilled_piece_count"] > fewest else "")
        rows.append(
            (
                page_data.scenario_title(plan["scenario_code"]),
                complete_cost(page_data, plan),
                rank,
                pieces_priced(plan),
                *((landed, count(plan["unfilled_piece_count"])) if has_missing else ()),
                count(plan["vendor_count"]),
                saving_words(found, code),
                saving_ends(found, code),
                gap(plan["gap_pct"]),
            )
        )
    headings = columns(
        "Way of buying",
        "#Complete cost",
        "#Rank",
        "#Pieces priced",
        *(("#Landed cost", "#Missing pieces") if has_missing else ()),
        "#Parcels",
        "#Saved",
        "#Between",
        "#Above the best, at most",
    )
    rows += [
        (page_data.scenario_title(plan["scenario_code"]), REFUSED, *[NOTHING] * (len(headings) - 2)) for plan in refused
    ]
    cheapest = surely_cheapest(in_order)
    strong = frozenset(row for row, plan in enumerate(in_order) if plan is cheapest)
    return Table(caption, headings, tuple(rows), strong, is_stacked=True)


def charted_scenarios(page_data: PageData, model_code: str, buyer: Buyer) -> list[str]:
    """The scenarios planned on several dates, at most as many as there are ways to draw a line."""
    dates = page_data.priced_dates(model_code, buyer.buyer_code)
    planned = [plan["scenario_code"] for on in dates for plan in page_data.plans(model_code, buyer.buyer_code, on)]
    return [code for code in page_data.scenarios if planned.count(code) > 1][: len(DASHES)]


def cost_chart(
    page_data: PageData, model_code: str, buyer: Buyer, scenario_codes: Sequence[str], until: date | None = None
) -> Chart | None:
    """Complete cost at month ends and today, a line per scenario; gaps where there is none to show.

    The band reaches down to what the best possible plans of the cheapest mix, or of the last scenario, may cost.
    """
    dates = page_data.priced_dates(model_code, buyer.buyer_code)
    styles = {code: style for style, code in enumerate(page_data.scenarios)}
    lines, band = [], None
    for code in scenario_codes:
        plans = [page_data.plan(model_code, buyer.buyer_code, code, on) for on in dates]
        values = tuple(_charted(page_data, plan) for plan in plans)
        if code == ("cheapest" if "cheapest" in scenario_codes else scenario_codes[-1]):
            least = tuple(
                None if value is None or plan is None else float(cost_interval(plan).low)
                for value, plan in zip(values, plans, strict=True)
            )
            band = ShadedBand(f"{page_data.scenario_title(code)} at best", least, values)
        lines.append(Line(page_data.scenario_title(code), values, styles[code], 2.5 if code == "cheapest" else 1.75))
    return line_chart(
        f"Complete cost at month ends, {buyer.currency_code}",
        dates,
        lines,
        lambda value: money(Decimal(str(value)), buyer.currency_code),
        until,
        band,
        data_name="costs",
    )


def no_history(buyer: Buyer) -> str:
    """Why there is no chart of past costs."""
    if buyer.plan_past_months:
        return "There is no history to show yet."
    return "Past month ends are not planned for this buyer."


def least_certain(
    page_data: PageData, model_code: str, buyer: Buyer, scenario_codes: Sequence[str], until: date | None = None
) -> str:
    """How far the least exact cost in a chart may be above the best; empty where all are the best possible."""
    plans = [
        plan
        for on in page_data.priced_dates(model_code, buyer.buyer_code)
        if until is None or on <= until
        for code in scenario_codes
        if (plan := page_data.plan(model_code, buyer.buyer_code, code, on)) is not None
        and _charted(page_data, plan) is not None
    ]
    if not plans:
        return ""
    plan = max(plans, key=lambda p: float(p["gap_pct"]))
    if not plan["gap_pct"]:
        return ""
    which = f"{page_data.scenario_title(plan['scenario_code'])}, {day(plan['priced_on'])}"
    return f"Costs in the chart are {accuracy(plan['gap_pct'])} ({which})."


def _charted(page_data: PageData, plan: Row | None) -> float | None:
    if plan is None or not is_usable(plan) or page_data.cost_is_withheld(plan):
        return None
    return float(plan["complete_cost"])


def strip(items: Sequence[tuple[str, str, str]]) -> list[dict[str, Any]]:
    """Figures set large at the top of a page: label, figure, note."""
    return [{"label": label, "figure": figure, "note": note} for label, figure, note in items]
