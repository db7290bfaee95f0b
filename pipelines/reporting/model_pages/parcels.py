"""Which vendors send what: an order's share of the list, its goods and its charges."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import polars as pl

from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import Table, columns, count, money, percent
from pipelines.reporting.basis.words import with_order
from pipelines.reporting.drawings.chart import Chart
from pipelines.reporting.model_pages.sheet_drawings import Parcel, parcel_bars
from schemas.published.plans import PLAN_LINE, PLAN_VENDOR


@dataclass(frozen=True)
class Parcels:
    """The orders of a plan: a heading, and a drawing with its table."""

    heading: str
    chart: Chart


def parcels(page_data: PageData, plan: Row | None) -> Parcels | None:
    """The orders of a plan, the dearest first; None where it orders nothing."""
    if plan is None:
        return None
    orders = (
        page_data.rows_of_plan(PLAN_VENDOR, plan).sort("landed_cost", descending=True, maintain_order=True).to_dicts()
    )
    lines = (
        page_data.rows_of_plan(PLAN_LINE, plan).group_by("vendor_code", "order_number").agg(pl.col("quantity").sum())
    )
    pieces = {(vendor, order): quantity for vendor, order, quantity in lines.iter_rows()}
    names, code = page_data.public_vendor_names, plan["currency_code"]
    drawn, rows = [], []
    for row in orders:
        name = with_order(names.get(row["vendor_code"], row["vendor_code"]), row)
        kind = " (maker's shop)" if row["vendor_kind"] == "maker" else ""
        share = 100 * pieces.get((row["vendor_code"], row["order_number"]), 0) / (plan["piece_count"] or 1)
        charges = row["landed_cost"] - row["goods"]
        drawn.append(
            Parcel(
                f"{name}: {_share(share)} of the pieces",
                float(row["goods"]),
                float(charges),
                money(row["landed_cost"], code),
            )
        )
        rows.append(
            (
                name + kind,
                _share(share),
                money(row["goods"], code),
                money(charges, code),
                money(row["landed_cost"], code),
            )
        )
    title = f"Orders of \u201c{page_data.scenario_title(plan['scenario_code'])}\u201d, in {code}"
    headings = columns("Vendor", "#Share of the pieces", "#Goods", "#Charges", "#Landed cost")
    figures = Table(title, headings, tuple(rows), is_stacked=True)
    chart = parcel_bars(f"Orders, in {code}", drawn, figures, lambda value: money(Decimal(str(value)), code))
    if chart is None:
        return None
    charges = money(plan["landed_cost"] - plan["goods"], code, with_code=True)
    return Parcels(f"{count(len(orders), 'parcel')}, {charges} of charges", chart)


def _share(share_pct: float) -> str:
    return f"under {percent(1, digits=0)}" if 0 < share_pct < 1 else percent(share_pct, digits=0)
