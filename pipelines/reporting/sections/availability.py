"""Availability on a model's report: can it be built, what limits it, what is running out."""

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
    page_data: PageData, model: ReportedModel, buyer_code: str, month: str
) -> dict[str, Any] | None:
    """``words`` of the month; for the latest month also ``weakest`` and ``running_out``, tables of elements (or None)."""
    row = availability_of(page_data, model.code, buyer_code, month)
    if row is None:
        return None
    is_latest = month == f"{page_data.today:%Y-%m}"
    elements = page_data.rows(ELEMENT_AVAILABILITY, model_code=model.code, buyer_code=buyer_code) if is_latest else []
    elements = sorted(elements, key=lambda element: element["weakness_rank"])
    going = [element for element in elements if element["is_running_out"]]
    return {
        "words": [_in_words(page_data, model, buyer_code, month, row), *_about_the_end(page_data, elements, going)],
        "weakest": _weakest_table(page_data, model, elements[:WEAKEST]),
        "running_out": _running_out_table(page_data, model, going),
    }


def copies_words(row: Row) -> str:
    """How many copies everything on offer would do for."""
    return count(row["buildable_copy_count"], "copy", "copies")


def _in_words(page_data: PageData, model: ReportedModel, buyer_code: str, month: str, row: Row) -> str:
    reported = (
        f"Exactly as listed, the market could fill {percent(row['fillable_share'] * 100)} of the "
        f"{count(row['needed_piece_count'], 'piece')}: {count(row['available_element_count'])} of "
        f"{count(row['basket_element_count'], 'element')} in full. Everything on offer would do for {copies_words(row)}."
    )
    if row["single_vendor_element_count"]:
        reported += f" {count(row['single_vendor_element_count'], 'element')} can be had from one vendor only."
    earlier = page_data.rows(MODEL_AVAILABILITY, model_code=model.code, buyer_code=buyer_code)
    year = f"{int(month[:4]) - 1}{month[4:]}"
    before = next((other for other in earlier if other["month"] == year), None)
    if before is not None:
        reported += f" A year ago, in {month_name(year)}, it would have done for {copies_words(before)}."
    return reported


def _about_the_end(page_data: PageData, elements: list[Row], going: list[Row]) -> list[str]:
    if not elements:
        return []
    horizon = page_data.settings.report.running_out_months
    if all(element["piece_trend_pct"] is None for element in elements):
        return ["There are too few months yet to tell which elements may run out."]
    if not going:
        return [
            f"By the trend of the last year no element that can be bought now runs out within {count(horizon, 'month')}."
        ]
    return [
        f"{count(len(going), 'element')} may run out within {count(horizon, 'month')}, if the trend of the last year goes on. "
        "The range is that of the trend; a restock or a vendor's leaving can overturn it."
    ]


def element_name(page_data: PageData, model: ReportedModel, row: Row) -> str:
    """A part in a colour; only its family where the model's lines may not be named."""
    if model.publish_lines != "none":
        return f"{page_data.part_name(row['part_code'])}, {page_data.colour_name(row['colour_code'])}"
    family = page_data.part_families.get(row["part_code"])
    return f"a part of the family {family} (not named)" if family else "a part (not named)"


def _weakest_table(page_data: PageData, model: ReportedModel, elements: list[Row]) -> Table | None:
    rows = tuple(
        (
            element_name(page_data, model, row),
            STATUS_WORDS[row["element_status"]],
            count(row["needed_piece_count"]),
            count(row["buyable_piece_count"]),
            count(row["market_vendor_count"]),
            percent(row["fillable_share"] * 100, digits=0),
            count(row["copies_on_offer"]),
            _seen(row),
        )
        for row in elements
    )
    headings = columns("Element", "Made", "#Needed", "#On offer", "#Vendors", "#Can be filled", "#Copies", "#Last seen")
    return Table("What limits the model most", headings, rows, is_stacked=True) if rows else None


def _seen(row: Row) -> str:
    if row["last_seen_on"] is None:
        return "never"
    if not row["days_since_seen"]:
        return "today"
    return f"{short_day(row['last_seen_on'])} {row['last_seen_on'].year}, {count(row['days_since_seen'], 'day')} ago"


def _running_out_table(page_data: PageData, model: ReportedModel, elements: list[Row]) -> Table | None:
    rows = tuple(
        (
            element_name(page_data, model, row),
            count(row["needed_piece_count"]),
            count(row["buyable_piece_count"]),
            f"{percent(row['piece_trend_pct'], signed=True)}",
            number(row["months_left"]),
            f"{number(row['months_left_low'])} to {number(row['months_left_high'])}"
            if row["months_left_high"] is not None
            else NOTHING,
        )
        for row in elements
    )
    headings = columns("Element", "#Needed", "#On offer", "#Change a month", "#Months left", "#Range")
    return Table("Elements that may run out", headings, rows, is_stacked=True) if rows else None
