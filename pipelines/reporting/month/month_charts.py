"""The charts of a model in a month's report: cost, price index with the band of methods, contributions, spread of changes."""

from __future__ import annotations

from datetime import date, timedelta

from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import Table, columns, count, month_name, number, percent, shown_together
from pipelines.reporting.basis.words import INDEX_NAMES
from pipelines.reporting.drawings.bars import Bar, bar_chart
from pipelines.reporting.drawings.chart import Chart, Line
from pipelines.reporting.drawings.lines import ShadedBand, line_chart
from pipelines.reporting.drawings.spreads import Spread, spread_chart
from pipelines.settings import Buyer
from schemas.published.price_index import INDEX_BAND, INDEX_CONTRIBUTION, PRICE_CHANGE_DISTRIBUTION

HEADLINE_INDEX = "lowe"
METHOD_WIDTHS = {HEADLINE_INDEX: 2.5}
OTHER_WIDTH = 1.0
NOT_OBSERVED = ("imputed", "newly priced")
"""Groups of contributions that were not observed in both months; drawn hollow, after the others."""
POINT_DIGITS = 2
MOST_BARS = 9
BAND_WORDS = {
    "quantities": "The methods differ because what each month's plan buys changes.",
    "gaps": "The methods differ because prices are missing in some months and each fills the gaps in its own way.",
    "both": "The methods differ because what each month's plan buys changes and because prices are missing in some months.",
    "neither": "No price is missing and the quantities do not move, so the methods differ by a hair and the band says nothing.",
}
VIEWS = {"part_family": "Part family", "colour_family": "Colour family", "vendor_kinds": "Sold by"}
SPANS = {1: "1 month", 12: "12 months"}


def month_end(month: str) -> date:
    """The last day of a month such as 2026-10."""
    year, number_in_year = map(int, month.split("-"))
    first_of_next = date(year + number_in_year // 12, number_in_year % 12 + 1, 1)
    return first_of_next - timedelta(days=1)


def dated(page_data: PageData, month: str) -> date:
    """The day that a month's index stands for: its last, or today while it is still running."""
    end = month_end(month)
    return end if page_data.today is None else min(end, page_data.today)


def index_chart(page_data: PageData, model_code: str, buyer: Buyer, month: str) -> Chart | None:
    """The headline index, the others that are published, and the band between those that answer the same question."""
    code = buyer.buyer_code
    months = [m for m in page_data.months() if page_data.index(model_code, code, m) is not None]
    lines = []
    for style, (method, name) in enumerate(INDEX_NAMES.items()):
        values = tuple(shown_level(page_data.index(model_code, code, m, method)) for m in months)
        lines.append(Line(name, values, style, METHOD_WIDTHS.get(method, OTHER_WIDTH)))
    bands = {row["month"]: row for row in page_data.rows(INDEX_BAND, model_code=model_code, buyer_code=code)}
    is_shown = {m: shown_level(page_data.index(model_code, code, m)) is not None and m in bands for m in months}
    low, high = (
        tuple(bands[m][f"{end}_index_level"] if is_shown[m] else None for m in months) for end in ("lowest", "highest")
    )
    base = page_data.index(model_code, code, months[-1]) if months else None
    title = f"Price index, {month_name(base['base_month'])} = 100" if base else "Price index"
    band = ShadedBand("Between the methods", low, high) if bands else None
    return line_chart(
        title, [dated(page_data, m) for m in months], lines, number, dated(page_data, month), band, "price_index"
    )


def shown_level(row: Row | None) -> float | None:
    """The level of a row of price_index that may be shown."""
    return None if row is None or row["is_withheld"] else row["index_level"]


def band_words(page_data: PageData, model_code: str, buyer_code: str, month: str) -> str:
    """Why the methods differ in a month and by how much; empty where no band is published."""
    found = page_data.rows(INDEX_BAND, model_code=model_code, buyer_code=buyer_code, month=month)
    if not found:
        return ""
    low, high = found[0]["lowest_index_level"], found[0]["highest_index_level"]
    reason = BAND_WORDS[found[0]["band_reason"]]
    return f"The methods lie between {number(low)} and {number(high)} in {month_name(month)}. {reason}"


def contribution_chart(
    page_data: PageData, model_code: str, buyer_code: str, month: str, span: int = 1
) -> Chart | None:
    """What each part family adds to the change of the headline index, largest first; what was not observed, hollow and last."""
    rows = _contributions(page_data, model_code, buyer_code, month, span, "part_family")
    observed = [row for row in rows if row["contribution_group"] not in NOT_OBSERVED]
    observed.sort(key=lambda row: (-abs(row["group_contribution_points"]), row["contribution_group"]))
    bars = [Bar(_group(row), row["group_contribution_points"]) for row in observed]
    if len(bars) > MOST_BARS:
        rest = sum(bar.value for bar in bars[MOST_BARS - 1 :])
        bars = [*bars[: MOST_BARS - 1], Bar(f"{len(bars) - MOST_BARS + 1} others", rest)]
    bars += [
        Bar(_group(row), row["group_contribution_points"], is_hollow=True)
        for row in rows
        if row["contribution_group"] in NOT_OBSERVED
    ]
    title = f"What part families add to the index's change over {SPANS[span]}, percentage points"
    return bar_chart(title, bars, _points, "not observed in both months", "contributions")


def contribution_table(
    page_data: PageData, model_code: str, buyer_code: str, month: str, span: int = 1
) -> Table | None:
    """Contributions by colour family and by who sells, in one table; each view adds up to the same change."""
    rows = []
    for view, name in VIEWS.items():
        own = _contributions(page_data, model_code, buyer_code, month, span, view)
        own.sort(key=lambda row: (row["contribution_group"] in NOT_OBSERVED, -abs(row["group_contribution_points"])))
        rows += [
            (name, _group(row), _points(row["group_contribution_points"]), count(row["contributing_line_count"]))
            for row in own
        ]
        if own:
            total = sum(row["group_contribution_points"] for row in own)
            rows.append((name, "together", _points(total), count(sum(row["contributing_line_count"] for row in own))))
    headings = columns("Seen by", "Group", "#Percentage points", "#Lines")
    strong = frozenset(position for position, row in enumerate(rows) if row[1] == "together")
    return Table(f"What adds to the change over {SPANS[span]}", headings, tuple(rows), strong) if rows else None


def _contributions(
    page_data: PageData, model_code: str, buyer_code: str, month: str, span: int, view: str
) -> list[Row]:
    """Rows of one view, their points rounded so that they add up as shown."""
    rows = [
        row
        for row in page_data.rows(INDEX_CONTRIBUTION, model_code=model_code, buyer_code=buyer_code, month=month)
        if row["change_month_count"] == span and row["contribution_view"] == view
    ]
    points = shown_together([row["group_contribution_points"] for row in rows], POINT_DIGITS)
    return [{**row, "group_contribution_points": each} for row, each in zip(rows, points, strict=True)]


def _group(row: Row) -> str:
    return row["contribution_group"] or "no family"


def _points(value: float) -> str:
    return number(value, POINT_DIGITS, signed=True)


def spread_of_changes(page_data: PageData, model_code: str, buyer_code: str, month: str) -> tuple[Chart | None, str]:
    """How the price changes of a model's elements are spread, drawn, and how many rose, stood still and fell, in words."""
    rows = page_data.rows(PRICE_CHANGE_DISTRIBUTION, model_code=model_code, buyer_code=buyer_code, month=month)
    spreads = [Spread(SPANS[row["change_month_count"]], _percentiles(row)) for row in rows]
    chart = spread_chart(
        "How far elements' prices moved, %", "Over", spreads, lambda v: number(v, 1, signed=True), "price_changes"
    )
    words = [
        f"Over {SPANS[row['change_month_count']]}, of {count(row['item_count'], 'element')} with a price in both months "
        "{} rose, {} stood still and {} fell.".format(*map(_whole_percent, _shares(row)))
        for row in rows
    ]
    return chart, " ".join(words)


def _shares(row: Row) -> list[float]:
    return shown_together([100 * row[f"{name}_share"] for name in ("risen", "unchanged", "fallen")], 0)


def _whole_percent(value: float) -> str:
    return percent(value, digits=0)


def _percentiles(row: Row) -> tuple[float, float, float, float, float]:
    p10, p25, p50, p75, p90 = (row[f"change_p{p}_pct"] for p in (10, 25, 50, 75, 90))
    return p10, p25, p50, p75, p90
