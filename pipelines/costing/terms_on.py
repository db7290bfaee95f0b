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
from pipelines.money import used_rate
from pipelines.settings import Buyer
from schemas.inputs.vendors import VENDOR_TERMS

ANY_REGION = "*"
ASSUMED_PERCENTILE = 95
UNKNOWN_VENDOR = "it is not in the table vendors"
SIZES = ("weight_grams", "largest_dimension_mm")
"""Sizes of a part that shipping may depend on."""
TERM_COLUMNS = tuple(name for name in VENDOR_TERMS.columns if name not in VENDOR_TERMS.key)
"""Columns of vendor_terms that are terms: fields of ``VendorTerms`` under the same names."""


@dataclass(frozen=True)
class TermsBook:
    """A buyer's vendors on a date.

    Attributes:
        vendors: terms by order code, which is the vendor's own code for its first order.
        left_out: why each other vendor named in the workspace can't be used.
    """

    vendors: dict[str, VendorTerms]
    left_out: dict[str, str]

    def why_left_out(self, vendor_code: str) -> str:
        """Why a vendor can't be used, also one that only price exports name; empty for one that can."""
        if vendor_code in self.vendors:
            return ""
        return self.left_out.get(vendor_code, UNKNOWN_VENDOR)


def terms_on(inputs: WorkspaceInputs, day: date, buyer: Buyer) -> TermsBook:
    """The terms of a date for a buyer.

    Of a vendor's rows, those of the buyer's own region replace those of ``*``; then the latest start on or before the date
    counts. Shipping steps (per basis) and border charges count as whole tables of one start. Vendors that take no orders that
    day are left out.
    """
    tables = inputs.tables
    of_day = rows_on(tables["vendor_terms"], ["vendor_code"], day, buyer)
    rows = {row["vendor_code"]: row for row in of_day.iter_rows(named=True)}
    closures = _by_vendor(tables["vendor_closures"], "closed_from_on")
    steps = _by_vendor(rows_on(tables["shipping_steps"], ["vendor_code", "step_basis"], day, buyer), "step_from")
    handling = _by_vendor(
        rows_on(tables["handling_charges"], ["vendor_code", "assortment_code"], day), "assortment_code"
    )
    border: dict[str, list[dict[str, Any]]] = {}
    for row in rows_on(tables["border_charges"], ["vendor_region_code"], day, buyer).sort("goods_from").to_dicts():
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

    There is no margin on the buyer's own currency. The rate is rounded as :func:`~pipelines.money.used_rate` says.
    """
    rate = exchange_rate_on(inputs.tables["exchange_rates"], from_currency, buyer.currency_code, day)
    if rate is None or from_currency == buyer.currency_code:
        return rate
    return used_rate(rate * (1 + Fraction(buyer.exchange_margin_pct) / 100))


def assumed_size(parts: pl.DataFrame, name: str) -> Decimal | None:
    """What a part of unknown size counts as: the 95th percentile of the known sizes (the next known value up, exact).

    None where no size is known; then vendors whose shipping depends on that size are left out.
    """
    known = parts[name].drop_nulls().sort()
    return known[-(-len(known) * ASSUMED_PERCENTILE // 100) - 1] if len(known) else None


def rows_on(table: pl.DataFrame, by: list[str], day: date, buyer: Buyer | None = None) -> pl.DataFrame:
    """The rows of a day for each value of ``by``: those of the buyer's own region before any region's, then the latest."""
    begun = table.filter(pl.col("valid_from_on") <= day)
    if buyer is not None:
        begun = begun.filter(pl.col("buyer_region_code").is_in([buyer.region_code, ANY_REGION])).filter(
            (pl.col("buyer_region_code") != ANY_REGION) | (pl.col("buyer_region_code") == ANY_REGION).all().over(by)
        )
    return begun.filter(pl.col("valid_from_on") == pl.col("valid_from_on").max().over(by))


@dataclass(frozen=True)
class _Charges:
    """A vendor's rows of shipping_steps, handling_charges and border_charges on a date."""

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
            return f"its shipping depends on {basis}, and the table parts has none"
    return ""


def _why_closed(closures: list[dict[str, Any]], day: date) -> str:
    """Until when a vendor takes no orders, and why, from its VENDOR_CLOSURES by their starts; empty when it is open.

    A closure that begins before or when another ends prolongs it.
    """
    reasons: list[str] = []
    ends: date | None = day  # the first date on which it is open; None where that is not known
    for row in closures:
        if ends is None or row["closed_from_on"] > ends:
            break
        if row["opens_again_on"] is None or row["opens_again_on"] > ends:
            ends = row["opens_again_on"]
            reasons += [row["reason"]] if row["reason"] and row["reason"] not in reasons else []
    if ends == day:
        return ""
    sentence = "it takes no orders " + ("until further notice" if ends is None else f"before {ends}")
    return sentence + (f": {', '.join(reasons)}" if reasons else "")


def _vendor_terms(
    vendor: dict[str, Any], row: dict[str, Any], rate: Fraction, charges: _Charges, buyer: Buyer
) -> VendorTerms:
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
        **{name: row[name] for name in TERM_COLUMNS},
    )
