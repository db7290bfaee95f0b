"""Vendors' terms on a date for a buyer, from the workspace's dated tables."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.several_orders import orders_of
from pipelines.costing.terms import BorderStep, Handling, ShippingStep, VendorTerms
from pipelines.inputs import RATE_MAXIMUM_AGE_DAYS, WorkspaceInputs, exchange_rate_on
from pipelines.settings import Buyer

ANY_REGION = "*"
ASSUMED_PERCENTILE = 95
UNKNOWN_VENDOR = "it is not in the table vendors"
SIZES = ("weight_grams", "largest_dimension_mm")
"""Sizes of a part that shipping may go by."""


@dataclass(frozen=True)
class TermsBook:
    """Terms by order code (a vendor's own for its first order), and for every other vendor named in the workspace the reason why it can't be used."""

    vendors: dict[str, VendorTerms]
    left_out: dict[str, str]

    def why_left_out(self, vendor_code: str) -> str:
        """The reason, also for a vendor that only the price exports know; empty for one that can be used."""
        if vendor_code in self.vendors:
            return ""
        return self.left_out.get(vendor_code, UNKNOWN_VENDOR)


def terms_on(inputs: WorkspaceInputs, day: date, buyer: Buyer) -> TermsBook:
    """The terms that hold on a date for a buyer.

    Of a vendor's rows the buyer's own region goes before ``*``, then the latest start on or before the date holds;
    shipping steps (per basis) and border charges hold as whole tables of one start. Vendors that take no orders that day
    are left out.
    """
    tables = inputs.tables
    quarantined = _holding(tables["vendor_terms"], ["vendor_code"], day, buyer)
    rows = {row["vendor_code"]: row for row in quarantined.iter_rows(named=True)}
    closures = _by_vendor(tables["vendor_closures"], "closed_from_on")
    steps = _by_vendor(_holding(tables["shipping_steps"], ["vendor_code", "step_basis"], day, buyer), "step_from")
    handling = _by_vendor(
        _holding(tables["handling_charges"], ["vendor_code", "assortment_code"], day), "assortment_code"
    )
    border: dict[str, list[dict[str, Any]]] = {}
    for row in _holding(tables["border_charges"], ["vendor_region_code"], day, buyer).sort("goods_from").to_dicts():
        border.setdefault(row["vendor_region_code"], []).append(row)
    known = tables["vendors"].sort("vendor_code")
    left_out = dict.fromkeys(set(rows) - set(known["vendor_code"]), UNKNOWN_VENDOR)
    unknown_sizes = [name for name in SIZES if assumed_size(tables["parts"], name) is None]
    rates = {code: buyers_rate(inputs, code, day, buyer) for code in sorted(set(known["currency_code"]))}
    vendors: dict[str, VendorTerms] = {}
    for vendor in known.iter_rows(named=True):
        code = vendor["vendor_code"]
        charges = _Charges(
            steps.get(code, []),
            handling.get(code, []),
            border.get(vendor["vendor_region_code"], []),
        )
        rate = rates[vendor["currency_code"]]
        if code not in rows:
            left_out[code] = f"it has no terms for the region {buyer.region_code} on {day}"
        elif rate is None:
            pair = f"{vendor['currency_code']} to {buyer.currency_code}"
            left_out[code] = f"there is no exchange rate {pair} within {RATE_MAXIMUM_AGE_DAYS} days of {day}"
        elif problem := _problem_with(charges, unknown_sizes, buyer):
            left_out[code] = problem
        elif closed := _why_closed(closures.get(code, []), day):
            left_out[code] = closed
        else:
            terms = _vendor_terms(vendor, rows[code], rate, charges, buyer)
            vendors |= {order.vendor_code: order for order in orders_of(terms)}
    return TermsBook(vendors, dict(sorted(left_out.items())))


def buyers_rate(inputs: WorkspaceInputs, from_currency: str, day: date, buyer: Buyer) -> Fraction | None:
    """The buyer's currency for one unit of another on a date, margin included; None when no rate is young enough.

    There is no margin on the buyer's own currency.
    """
    rate = exchange_rate_on(inputs.tables["exchange_rates"], from_currency, buyer.currency_code, day)
    if rate is None or from_currency == buyer.currency_code:
        return rate
    return rate * (1 + Fraction(buyer.exchange_margin_pct) / 100)


def assumed_size(parts: pl.DataFrame, name: str) -> Decimal | None:
    """What a part of unknown size counts as: the 95th percentile of the known ones (the next known value up, exact).

    None where nothing is known; then vendors whose shipping goes by that size are left out.
    """
    known = parts[name].drop_nulls().sort()
    return known[-(-len(known) * ASSUMED_PERCENTILE // 100) - 1] if len(known) else None


def _holding(table: pl.DataFrame, by: list[str], day: date, buyer: Buyer | None = None) -> pl.DataFrame:
    """Rows that hold on the day for each value of ``by``: own region before any, then the latest start."""
    quarantined = table.filter(pl.col("valid_from_on") <= day)
    if buyer is not None:
        quarantined = quarantined.filter(pl.col("buyer_region_code").is_in([buyer.region_code, ANY_REGION])).filter(
            (pl.col("buyer_region_code") != ANY_REGION) | (pl.col("buyer_region_code") == ANY_REGION).all().over(by)
        )
    return quarantined.filter(pl.col("valid_from_on") == pl.col("valid_from_on").max().over(by))


@dataclass(frozen=True)
class _Charges:
    """A vendor's rows of shipping_steps, handling_charges and border_charges that hold."""

    steps: list[dict[str, Any]]
    handling: list[dict[str, Any]]
    border: list[dict[str, Any]]


def _by_vendor(table: pl.DataFrame, order: str) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for row in table.sort("vendor_code", order).iter_rows(named=True):
        found.setdefault(row["vendor_code"], []).append(row)
    return found


def _problem_with(charges: _Charges, unknown_sizes: list[str], buyer: Buyer) -> str:
    for row in charges.border:
        if row["currency_code"] != buyer.currency_code:
            return f"border charges from {row['vendor_region_code']} are not in {buyer.currency_code}"
    for basis in unknown_sizes:
        if any(step["step_basis"] == basis for step in charges.steps):
            return f"its shipping goes by {basis}, and the table parts knows none"
    return ""


def _why_closed(closures: list[dict[str, Any]], day: date) -> str:
    """Until when a vendor takes no orders, and why, from its VENDOR_CLOSURES by their starts; empty when it is open.

    A closure that begins before the one before is over prolongs it.
    """
    reasons: list[str] = []
    ends: date | None = day  # the first date on which it is open; None where nobody knows
    for row in closures:
        if ends is None or row["closed_from_on"] > ends:
            break
        if row["opens_again_on"] is None or row["opens_again_on"] > ends:
            ends = row["opens_again_on"]
            reasons += [row["reason"]] if row["reason"] and row["reason"] not in reasons else []
    if ends == day:
        return ""
    words = "it takes no orders " + ("until further notice" if ends is None else f"before {ends}")
    return words + (f": {', '.join(reasons)}" if reasons else "")


def _vendor_terms(
    vendor: dict[str, Any], row: dict[str, Any], rate: Fraction, charges: _Charges, buyer: Buyer
) -> VendorTerms:
    same_names = (
        "shipping_charge", "shipping_waived_from", "minimum_order", "soft_minimum", "soft_minimum_charge",
        "minimum_line_value", "order_fee", "order_fee_pct", "discount_from", "discount_pct", "tax_rate_pct", "tax_on",
        "maximum_element_count", "maximum_piece_count", "maximum_order_count",
    )  # fmt: skip
    return VendorTerms(
        vendor_code=vendor["vendor_code"],
        vendor_kind=vendor["vendor_kind"],
        currency_code=vendor["currency_code"],
        buyer_currency_code=buyer.currency_code,
        rate=rate,
        shipping_steps=tuple(
            ShippingStep(step["step_basis"], step["step_from"], step["step_to"], step["step_charge"])
            for step in sorted(charges.steps, key=lambda step: (step["step_basis"], step["step_from"]))
        ),
        handling={
            charge["assortment_code"]: Handling(charge["handling_charge"], charge["handling_waived_from"])
            for charge in charges.handling
        },
        border=tuple(BorderStep(row["goods_from"], row["duty_pct"], row["clearance_charge"]) for row in charges.border),
        **{name: row[name] for name in same_names},
    )
