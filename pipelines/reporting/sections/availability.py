"""Whether a model can be built: what is on offer, what limits it, what may run out."""

from __future__ import annotations

from typing import Any

from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, month_name, number, percent, short_day
from schemas.published.availability import ELEMENT_AVAILABILITY, MODEL_AVAILABILITY

WEAKEST = 5
"""Elements listed that limit a model most."""
STATUS_WORDS = {
    "current": "still made",
    "retired": "no longer made",
    "never_made": "never made",
    "unknown": "not known",
}


def availability_of(page_data: PageData, model_code: str, buyer_code: str, month: str) -> Row | None:
    """The row of model_availability."""
    found = page_data.rows(MODEL_AVAILABILITY, model_code=model_code, buyer_code=buyer_code, month=month)
    return found[0] if found else None


def availability_section(
    page_data: PageData, model: ReportedModel, buyer_code: str, month: str, *, in_full: bool = False
) -> dict[str, Any] | None:
    """``words`` of the month; for the latest month also the tables ``weakest`` and ``running_out``, a row per element.

    Only a page that is not published has the tables whatever the model publishes (``in_full``): they have the list's quantities.
    """
    row = availability_of(page_data, model.code, buyer_code, month)
    if row is None:
        return None
    is_latest = month == f"{page_data.today:%Y-%m}"
    elements = page_data.rows(ELEMENT_AVAILABILITY, model_code=model.code, buyer_code=buyer_code) if is_latest else []
    elements = sorted(elements, key=lambda element: element["weakness_rank"])
    going = [element for element in elements if element["is_running_out"]]
    is_open = in_full or model.publish_lines != "none"
    return {
        "words": [_in_words(page_data, model, buyer_code, month, row), *_about_the_end(page_data, elements, going)],
        "weakest": _weakest_table(page_data, elements[:WEAKEST]) if is_open else None,
        "running_out": _running_out_table(page_data, going) if is_open else None,
    }


def copies_words(row: Row) -> str:
    """How many copies everything on offer is enough for."""
    return count(row["buildable_copy_count"], "copy", "copies")


def _in_words(page_data: PageData, model: ReportedModel, buyer_code: str, month: str, row: Row) -> str:
    earlier = page_data.rows(MODEL_AVAILABILITY, model_code=model.code, buyer_code=buyer_code)
    year = f"{int(month[:4]) - 1}{month[4:]}"
    before = next((other for other in earlier if other["month"] == year), None)
    then = f" ({copies_words(before)} in {month_name(year)})" if before is not None else ""
    words = (
        f"Exactly as listed, {percent(row['fillable_share'] * 100)} of the {count(row['needed_piece_count'], 'piece')} are on "
        f"offer: {count(row['available_element_count'])} of {count(row['basket_element_count'], 'element')} in full, enough for "
        f"{copies_words(row)}{then}."
    )
    alone = row["single_vendor_element_count"]
    if alone:
        words += f" {count(alone, 'element')} {'has' if alone == 1 else 'have'} one vendor only."
    return words


def _about_the_end(page_data: PageData, elements: list[Row], going: list[Row]) -> list[str]:
    if not elements:
        return []
    horizon = page_data.settings.report.running_out_months
    if all(element["piece_trend_pct"] is None for element in elements):
        return ["There are too few months yet to see which elements may run out."]
    if not going:
        return [f"By last year's trend no element on offer runs out within {count(horizon, 'month')}."]
    return [
        f"By last year's trend {count(len(going), 'element')} may run out within {count(horizon, 'month')}. "
        "Stock that comes or a vendor that leaves can change this."
    ]


def _weakest_table(page_data: PageData, elements: list[Row]) -> Table | None:
    rows = tuple(
        (
            page_data.element_name(row["part_code"], row["colour_code"]),
            STATUS_WORDS[row["element_status"]],
            count(row["needed_piece_count"]),
            count(row["buyable_piece_count"]),
            count(row["market_vendor_count"]),
            percent(row["fillable_share"] * 100, digits=0),
            _seen(row),
        )
        for row in elements
    )
    headings = columns("Element", "Made", "#Needed", "#On offer", "#Vendors", "#Can be filled", "#Last seen")
    return Table("What limits the model most", headings, rows, is_stacked=True) if rows else None


def _seen(row: Row) -> str:
    if row["last_seen_on"] is None:
        return "never"
    if not row["days_since_seen"]:
        return "today"
    return f"{short_day(row['last_seen_on'])} {row['last_seen_on'].year}, {count(row['days_since_seen'], 'day')} ago"


def _running_out_table(page_data: PageData, elements: list[Row]) -> Table | None:
    rows = tuple(
        (
            page_data.element_name(row["part_code"], row["colour_code"]),
            count(row["needed_piece_count"]),
            count(row["buyable_piece_count"]),
            percent(row["piece_trend_pct"], signed=True),
            number(row["months_left"]),
            f"{number(row['months_left_low'])} to {number(row['months_left_high'])}"
            if row["months_left_high"] is not None
            else NOTHING,
        )
        for row in elements
    )
    headings = columns("Element", "#Needed", "#On offer", "#Change a month", "#Months left", "#Range")
    return Table("Elements that may run out", headings, rows, is_stacked=True) if rows else None
