"""The table of the largest rises and falls."""

from __future__ import annotations

from pipelines.reporting.facts import Facts, Row
from pipelines.reporting.tables import Table, columns, count, number, percent
from pipelines.settings import Buyer
from pipelines.trends.movers import movers


def movers_table(facts: Facts, buyer: Buyer, month: str, model_code: str | None = None) -> Table | None:
    """The largest rises and falls of one model or of all.

    An element is named only if a model that publishes its lines uses it; on one model's page, only if that model does.
    """
    prices = facts.prices_of(buyer.buyer_code, month)
    found = movers(prices, month, buyer.buyer_code, facts.settings.report.mover_count, model_code)
    is_open = model_code is None or any(m.code == model_code and m.publish_lines != "none" for m in facts.models)
    rows = tuple(
        (
            _element(facts, row, is_open),
            percent(row["price_change_pct"], signed=True),
            number(row["element_price"], 4),
            count(row["market_vendor_count"]),
            count(row["market_quantity"]),
        )
        for row in found.iter_rows(named=True)
    )
    headings = columns("Element", "#Price change", f"#Price, {buyer.currency_code}", "#Vendors", "#Pieces on offer")
    return Table("Largest rises and falls since the month before", headings, rows, is_stacked=True) if rows else None


def _element(facts: Facts, row: Row, is_open: bool) -> str:
    if is_open and (row["part_code"], row["colour_code"]) in facts.open_elements:
        return f"{facts.part_name(row['part_code'])}, {facts.colour_name(row['colour_code'])}"
    family = facts.part_families.get(row["part_code"])
    return f"a part of the family {family} (not named)" if family else "a part (not named)"
