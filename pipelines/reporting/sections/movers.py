"""What changed a cost most in a month: elements by their prices, and vendors."""

from __future__ import annotations

from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import Table, columns, count, day, number, percent
from pipelines.settings import Buyer
from pipelines.trends.prices.movers import movers
from schemas.published.over_time import VENDOR_CHANGE

MOST_VENDORS = 5
LEAST_EFFECT_PCT = 0.1
"""Smaller effects would read as 0.0 %."""


def movers_table(page_data: PageData, buyer: Buyer, month: str, model_code: str | None = None) -> Table | None:
    """The largest rises and falls of one model or of all.

    An element is named only if a model that publishes its lines uses it; on one model's page, only if that model does.
    """
    prices = page_data.element_prices(buyer.buyer_code, month)
    found = movers(prices, month, buyer.buyer_code, page_data.settings.report.mover_count, model_code)
    is_open = model_code is None or any(m.code == model_code and m.publish_lines != "none" for m in page_data.models)
    rows = tuple(
        (
            page_data.element_or_family(
                row["part_code"],
                row["colour_code"],
                is_named=is_open and (row["part_code"], row["colour_code"]) in page_data.publishable_elements,
            ),
            percent(row["price_change_pct"], signed=True),
            number(row["element_price"], 4),
            count(row["market_vendor_count"]),
            count(row["market_quantity"]),
        )
        for row in found.iter_rows(named=True)
    )
    headings = columns("Element", "#Price change", f"#Price, {buyer.currency_code}", "#Vendors", "#Pieces on offer")
    return Table("Largest rises and falls since the month before", headings, rows, is_stacked=True) if rows else None


def vendor_changes_table(page_data: PageData, model_code: str, buyer: Buyer, month: str) -> Table | None:
    """The vendors whose own changes changed a model's cost most since the date before.

    Those that now refuse its earlier order come first. None for months before the latest, and where nothing changed.
    """
    if month != f"{page_data.today:%Y-%m}":
        return None
    rows = page_data.rows(VENDOR_CHANGE, model_code=model_code, buyer_code=buyer.buyer_code)
    shown = [row for row in rows if _size(row) >= LEAST_EFFECT_PCT or row["terms_refusal"]]
    moved = sorted(shown, key=lambda row: (not row["terms_refusal"], -_size(row)))
    names = page_data.public_vendor_names
    cells = tuple(
        (
            str(names.get(row["vendor_code"], row["vendor_code"])),
            percent(row["vendor_effect_pct"], signed=True),
            count(row["moved_element_count"]),
            "refuse the earlier order" if row["terms_refusal"] else percent(row["terms_effect_pct"], signed=True),
        )
        for row in moved[:MOST_VENDORS]
    )
    headings = columns("Vendor", "#Its prices and stock", "#Elements", "#Its terms")
    title = f"Change in cost by vendor since {day(rows[0]['compared_on'])}" if rows else ""
    return Table(title, headings, cells, is_stacked=True) if cells else None


def _size(row: Row) -> float:
    largest: float = max(abs(row["vendor_effect_pct"]), abs(row["terms_effect_pct"]))
    return largest
