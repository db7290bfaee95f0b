"""The first page of a month's report for one buyer: main points, the index with its events, every model on one scale."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from itertools import pairwise
from statistics import median
from typing import Any

from pipelines.money import Interval
from pipelines.reporting.basis.events import KINDS, events, events_table, rates
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, month_name, number, percent
from pipelines.reporting.drawings.multiples import Multiple, small_multiples
from pipelines.reporting.drawings.timeline import timeline
from pipelines.reporting.month.cost_causes import Moved, causes_together
from pipelines.reporting.month.main_points import PriceMove, Shortage, main_points
from pipelines.reporting.month.month_charts import dated, month_end, shown_level
from pipelines.reporting.sections.availability import availability_of
from pipelines.reporting.sections.timing import above_lowest
from pipelines.settings import Buyer
from pipelines.trends.months import month_before
from schemas.published.availability import ELEMENT_AVAILABILITY
from schemas.published.over_time import BUYING_TIME, FORECAST_TRIAL, PRICE_FORECAST

METHODS = ("lowe", "geks-tornqvist", "geks-tornqvist-bought")
"""The methods whose changes must agree before a price change is stated."""


def front_page(
    page_data: PageData,
    models: Sequence[ReportedModel],
    plans: dict[str, Row | None],
    moved: Sequence[Moved],
    buyer: Buyer,
    month: str,
) -> dict[str, Any]:
    """``points``, ``index``, ``multiples`` with ``scale``, ``events``."""
    prices = [move for model in models if (move := price_move(page_data, model, buyer.buyer_code, month)) is not None]
    lacking = [each for model in models if (each := _shortage(page_data, model, plans[model.code], buyer, month))]
    months = [known for known in page_data.months() if known <= month]
    levels = {
        model.code: [shown_level(page_data.index(model.code, buyer.buyer_code, m)) for m in months] for model in models
    }
    dates = [dated(page_data, known) for known in months]
    small, scale = small_multiples(
        [Multiple(model.title, f"../sheets/{model.page}.html", tuple(levels[model.code])) for model in models],
        100.0,
        number,
        "price index",
    )
    return {
        "points": main_points(
            prices,
            [each.cost for each in moved],
            causes_together(moved),
            lacking,
            month,
            buyer.currency_code,
            page_data.settings.report.running_out_months,
        ),
        "index": _index_chart(page_data, models, levels, dates, buyer, month),
        "multiples": small,
        "scale": scale,
        "first_month": month_name(months[0]) if months else "",
        "events": _events_of(page_data, models, buyer, month),
    }


def price_move(page_data: PageData, model: ReportedModel, buyer_code: str, month: str) -> PriceMove | None:
    """Between which per cent a model's prices changed: the ends over the index methods that are shown; None without all."""
    found = [page_data.index(model.code, buyer_code, month, method) for method in METHODS]
    known = [row["change_1_month_pct"] for row in found if row is not None and not row["is_withheld"]]
    changes = [Decimal(str(change)) for change in known if change is not None]
    headline = found[0]
    if not changes or headline is None or headline["is_withheld"] or headline["change_1_month_pct"] is None:
        return None
    return PriceMove(model.title, Interval(min(changes), max(changes)))


def _shortage(page_data: PageData, model: ReportedModel, plan: Row | None, buyer: Buyer, month: str) -> Shortage | None:
    if plan is None:
        return None
    is_latest = page_data.today is not None and month == f"{page_data.today:%Y-%m}"
    key = {"model_code": model.code, "buyer_code": buyer.buyer_code}
    elements = page_data.rows(ELEMENT_AVAILABILITY, **key) if is_latest else []
    going = sum(bool(row["is_running_out"]) for row in elements)
    return Shortage(model.title, plan["unfilled_piece_count"], plan["piece_count"], going, len(elements))


def _index_chart(
    page_data: PageData,
    models: Sequence[ReportedModel],
    levels: dict[str, list[float | None]],
    dates: Sequence[date],
    buyer: Buyer,
    month: str,
) -> Any:
    by_month = [
        [level for model in models if (level := levels[model.code][at]) is not None] for at in range(len(dates))
    ]
    middle = [median(known) if known else None for known in by_month]
    ends = [(min(known), max(known)) if len(known) > 1 else None for known in by_month]
    bases = {
        row["base_month"]
        for model in models
        if (row := page_data.index(model.code, buyer.buyer_code, month)) is not None
    }
    base = month_name(next(iter(bases))) if len(bases) == 1 else "base month"
    several = len(models) > 1
    # Our own decisions move no index: its list is fixed.
    happened = [e for e in events(page_data, models, buyer, dates[0], dates[-1]) if e.kind != "D"] if dates else []
    happened += [event for pair in pairwise(dates) for event in rates(page_data, buyer, *pair)]
    return timeline(
        f"Price index, {base} = 100",
        dates,
        middle,
        ends,
        [(event.on, event.kind) for event in happened],
        KINDS,
        number,
        "Lowest to highest model",
        "Median of models" if several else "Price index",
        "price_index",
    )


def _events_of(page_data: PageData, models: Sequence[ReportedModel], buyer: Buyer, month: str) -> Table | None:
    """What took effect within the month."""
    before = month_end(month_before(month))
    until = min(month_end(month), page_data.today) if page_data.today else month_end(month)
    if until <= before:
        return None
    return events_table(
        sorted([*events(page_data, models, buyer, before, until), *rates(page_data, buyer, before, until)])
    )


def buying_section(
    page_data: PageData, models: Sequence[ReportedModel], buyer: Buyer, month: str
) -> dict[str, Any] | None:
    """When to buy and what will run out, for the latest month: ``words`` and a table with a row per model."""
    if page_data.today is None or month != f"{page_data.today:%Y-%m}":
        return None
    rows, earned, going_of = [], [], 0
    for model in models:
        key = {"model_code": model.code, "buyer_code": buyer.buyer_code}
        low = above_lowest(page_data, model.code, buyer.buyer_code)
        prices = next(
            (row for row in page_data.rows(BUYING_TIME, **key) if row["buying_measure"] == "price_index"), None
        )
        above = None if prices is None else prices["above_lowest_high_pct"]
        in_month = prices["lowest_month"] if prices is not None else None
        elements = page_data.rows(ELEMENT_AVAILABILITY, **key)
        going = sorted((row for row in elements if row["is_running_out"]), key=lambda row: row["weakness_rank"])
        going_of += len(going)
        available = availability_of(page_data, model.code, buyer.buyer_code, month)
        forecast = page_data.rows(PRICE_FORECAST, **key)
        if forecast:
            earned.append(model.title)
        rows.append(
            (
                model.title,
                low[0] if low else NOTHING,
                percent(above, signed=True) + (f" ({month_name(in_month)})" if in_month and above is not None else ""),
                _forecast(forecast),
                NOTHING if available is None else percent(available["fillable_share"] * 100),
                _named_elements(page_data, model, going),
            )
        )
    if not rows:
        return None
    headings = columns(
        "Model",
        "#Cost above its 12-month low",
        "#Prices above theirs",
        "#Prices expected",
        "#On sale as listed",
        "#May run out",
    )
    return {
        "words": [_forecast_words(page_data, models, buyer, earned)],
        "table": Table("When to buy, and what may run out", headings, tuple(rows), is_stacked=True),
    }


def _forecast(rows: Sequence[Row]) -> str:
    """The interval of the first month ahead."""
    if not rows:
        return "no forecast"
    row = rows[0]
    return f"{number(row['forecast_low'])} to {number(row['forecast_high'])} in {month_name(row['month'])}"


def _forecast_words(page_data: PageData, models: Sequence[ReportedModel], buyer: Buyer, earned: Sequence[str]) -> str:
    if earned:
        return f"A forecast is shown for {count(len(earned), 'model')}: there it beat the simple ones in trials by more than luck."
    tried = any(
        row["forecast_error_pct"] is not None
        for model in models
        for row in page_data.rows(FORECAST_TRIAL, model_code=model.code, buyer_code=buyer.buyer_code)
    )
    return (
        "No forecast beat the simple ones in trials, so none is shown."
        if tried
        else "The past is too short for a forecast."
    )


def _named_elements(page_data: PageData, model: ReportedModel, going: Sequence[Row]) -> str:
    """How many elements may run out; their names too where the model publishes its lines."""
    if not going:
        return "none"
    if model.publish_lines == "none":
        return count(len(going))
    names = ", ".join(page_data.element_name(row["part_code"], row["colour_code"]) for row in going[:2])
    more = f" and {len(going) - 2} more" if len(going) > 2 else ""
    return f"{len(going)}: {names}{more}"
