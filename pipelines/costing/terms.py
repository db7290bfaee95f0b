"""A vendor's terms on a date for a buyer, as exact values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Literal

TaxOn = Literal["goods", "goods_and_shipping", "included"]
StepBasis = Literal["goods_value", "weight_grams", "largest_dimension_mm"]


@dataclass(frozen=True)
class ShippingStep:
    """Shipping ``charge`` while the basis is in [``from_value``, ``to_value``); beyond the last end nothing ships."""

    basis: StepBasis
    from_value: Decimal
    to_value: Decimal | None
    charge: Decimal


@dataclass(frozen=True)
class Handling:
    """Charge for buying anything of an assortment, waived when its subtotal reaches ``waived_from``."""

    charge: Decimal
    waived_from: Decimal | None


@dataclass(frozen=True)
class BorderStep:
    """Duty and clearance from a goods value on; both amounts in the buyer's currency."""

    goods_from: Decimal
    duty_pct: Decimal
    clearance_charge: Decimal


@dataclass(frozen=True)
class VendorTerms:
    """Everything that turns a vendor's order into landed cost. Amounts are in ``currency_code`` unless said otherwise.

    ``rate`` is the buyer's currency for one unit of the vendor's, margin included. Thresholds compare the goods value at
    displayed prices, before discount, added tax, shipping and handling, inclusive. ``maximum_order_count`` is how many orders a
    plan may place with the vendor; ``vendor_code`` is an order's (several_orders.py).
    """

    vendor_code: str
    vendor_kind: str = "independent"
    currency_code: str = "EUR"
    buyer_currency_code: str = "EUR"
    rate: Fraction = Fraction(1)
    shipping_charge: Decimal = Decimal(0)
    shipping_waived_from: Decimal | None = None
    shipping_steps: tuple[ShippingStep, ...] = ()
    minimum_order: Decimal = Decimal(0)
    soft_minimum: Decimal = Decimal(0)
    soft_minimum_charge: Decimal = Decimal(0)
    minimum_line_value: Decimal = Decimal(0)
    order_fee: Decimal = Decimal(0)
    order_fee_pct: Decimal = Decimal(0)
    discount_from: Decimal = Decimal(0)
    discount_pct: Decimal = Decimal(0)
    tax_rate_pct: Decimal = Decimal(0)
    tax_on: TaxOn = "goods"
    maximum_element_count: int | None = None
    maximum_piece_count: int | None = None
    maximum_order_count: int = 1
    handling: Mapping[str, Handling] = field(default_factory=dict)
    border: tuple[BorderStep, ...] = ()
