"""When to buy: today compared with the past, the season, and a forecast where trials show it helps."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from pipelines.money import Interval
from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, ends, month_name, number, percent
from pipelines.reporting.basis.words import MONTH_NAMES, listed_words
from pipelines.reporting.drawings.bars import Bar, bar_chart
from pipelines.reporting.drawings.chart import Chart
from pipelines.settings import Buyer
from pipelines.trends.outlook.forecast import HORIZON
from pipelines.trends.outlook.forecast_trials import LEVEL
from pipelines.trends.outlook.seasonal import STRONG
from schemas.published.over_time import BUYING_TIME, FORECAST_TRIAL, PRICE_FORECAST, SEASONAL_PATTERN

MEASURES = {"complete_cost": "Complete cost", "price_index": "Price index"}


def timing_section(page_data: PageData, model_code: str, buyer: Buyer, month: str) -> dict[str, Any] | None:
    """``words``, ``standing``, ``season``, ``forecast``; None for earlier months: when to buy is about today."""
    key = {"model_code": model_code, "buyer_code": buyer.buyer_code}
    rows = page_data.rows(BUYING_TIME, **key)
    if not rows or month != f"{page_data.today:%Y-%m}":
        return None
    season, season_words = _season(page_data.rows(SEASONAL_PATTERN, **key))
    trials, ahead = page_data.rows(FORECAST_TRIAL, **key), page_data.rows(PRICE_FORECAST, **key)
    now = next((row["measure_now"] for row in rows if row["buying_measure"] == "price_index"), None)
    return {
        "standing": _standing_table(rows, buyer),
        "words": [
            *(_place_in_words(row) for row in rows if _is_placed(row)),
            season_words,
            *map(_trial_words, trials),
            *waiting_words(ahead, now),
        ],
        "season": season,
        "forecast": _forecast_table(ahead),
    }


def above_lowest(page_data: PageData, model_code: str, buyer_code: str) -> tuple[str, str] | None:
    """How far the complete cost is above its lowest of 12 months, and in which month that was; None without one."""
    found = page_data.rows(BUYING_TIME, model_code=model_code, buyer_code=buyer_code, buying_measure="complete_cost")
    if not found or found[0]["above_lowest_low_pct"] is None:
        return None
    row = found[0]
    month = f"lowest: {month_name(row['lowest_month'])}" if row["lowest_month"] else "several months may be the lowest"
    return _above_words(row), month


def _above_words(row: Row) -> str:
    """How far today is above the lowest of 12 months, with its range; whether it is above or below where that is known."""
    low, high = row["above_lowest_low_pct"], row["above_lowest_high_pct"]
    if low is None:
        return NOTHING
    if low <= 0 <= high and low < high:
        return f"no clear difference ({percent(low, signed=True)} to {percent(high, signed=True)})"
    if percent(low) == percent(high):
        return percent(low, signed=True)
    return f"{percent(low, signed=True)} to {percent(high, signed=True)}"


def _standing_table(rows: list[Row], buyer: Buyer) -> Table:
    def figures(row: Row, least: float | None, most: float | None) -> str:
        if least is None or most is None:
            return NOTHING
        if row["buying_measure"] == "complete_cost":
            return ends(Interval(Decimal(str(least)), Decimal(str(most))), buyer.currency_code)
        return number(most)

    cells = tuple(
        (
            MEASURES[row["buying_measure"]],
            figures(row, row["measure_least"], row["measure_now"])
            if not row["withheld_reason"]
            else f"withheld: {row['withheld_reason']}",
            figures(row, row["lowest_12_months_least"], row["lowest_12_months"]),
            month_name(row["lowest_month"]) if row["lowest_month"] else NOTHING,
            _above_words(row),
        )
        for row in rows
    )
    headings = columns("Measure", "#Today", "#12-month low", "In", "#Today above it")
    return Table(
        f"Today and the past 12 months, in {buyer.currency_code} and index points", headings, cells, is_stacked=True
    )


def _is_placed(row: Row) -> bool:
    return bool(row["cheaper_share_low"] is not None)


def _place_in_words(row: Row) -> str:
    low, high = (row[name] * 100 for name in ("cheaper_share_low", "cheaper_share_high"))
    measure, months = MEASURES[row["buying_measure"]], count(row["past_month_count"], "earlier month")
    if round(low) == round(high):
        return f"{measure}: of {months}, {percent(low, digits=0)} were cheaper than today."
    return (
        f"{measure}: of {months}, {percent(low, digits=0)} to {percent(high, digits=0)} were cheaper than today. "
        "It is a range because not all plans are equally exact."
    )


def _season(rows: list[Row]) -> tuple[Chart | None, str]:
    if not rows:
        return None, "A season needs three years of prices; there are fewer."
    strength = rows[0]["seasonal_strength"]
    if strength < STRONG:
        return None, f"No clear season: it explains {percent(strength * 100, digits=0)} of what the trend leaves."
    bars = [Bar(MONTH_NAMES[row["month_of_year"] - 1], row["seasonal_pct"]) for row in rows]
    chart = bar_chart(
        "Prices in each month against the year's level, %",
        bars,
        lambda value: number(value, 1, signed=True),
        "",
        "seasons",
    )
    low, high = min(rows, key=lambda row: row["seasonal_pct"]), max(rows, key=lambda row: row["seasonal_pct"])
    return chart, (
        f"Prices are usually lowest in {MONTH_NAMES[low['month_of_year'] - 1]} ({percent(low['seasonal_pct'], signed=True)} against "
        f"the year's level) and highest in {MONTH_NAMES[high['month_of_year'] - 1]} ({percent(high['seasonal_pct'], signed=True)}). "
        f"This season explains {percent(strength * 100, digits=0)} of what the trend leaves."
    )


def _trial_words(row: Row) -> str:
    if row["forecast_error_pct"] is None:
        return f"No forecast: {row['withheld_reason']}."
    others = (
        f"{percent(row['naive_error_pct'], digits=2)} for 'same as last month', {percent(row['drift_error_pct'], digits=2)} for 'the mean "
        f"change goes on', {percent(row['seasonal_naive_error_pct'], digits=2)} for 'same as in that month last year'"
    )
    errors = (
        f"average error {percent(row['forecast_error_pct'], digits=2)} in trials from {count(row['origin_count'], 'past month')}, 1 to "
        f"{HORIZON} months ahead; {others}"
    )
    if not row["is_forecast_shown"]:
        return f"No forecast: {row['withheld_reason']} ({errors})."
    inside = percent(row["interval_coverage_share"] * 100, digits=0)
    return (
        f"Forecast by the Theta method, better than all three simple ones by more than luck: {errors}. Of past months {inside} lay inside the "
        f"interval made before; the aim is {percent(100 * LEVEL, digits=0)}."
    )


def waiting_words(ahead: list[Row], now: float | None) -> list[str]:
    """What the intervals say about waiting: only where a whole interval lies on one side of today's index."""
    if not ahead or now is None:
        return []
    lower = [month_name(row["month"]) for row in ahead if row["forecast_high"] < now]
    higher = [month_name(row["month"]) for row in ahead if row["forecast_low"] > now]
    found = [
        f"The whole interval of {listed_words(months)} is {side} today's index."
        for months, side in ((lower, "below"), (higher, "above"))
        if months
    ]
    return found or ["Today's index is inside every interval: the forecast does not show whether waiting pays."]


def _forecast_table(rows: list[Row]) -> Table | None:
    cells = tuple(
        (
            month_name(row["month"]),
            number(row["forecast_level"]),
            f"{number(row['forecast_low'])} to {number(row['forecast_high'])}",
        )
        for row in rows
    )
    headings = columns("Month", "#Price index", "#Interval")
    return Table("Where the price index may go", headings, cells, is_stacked=True) if cells else None
