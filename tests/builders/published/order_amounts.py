"""What an invented order costs: amounts of plan_vendor and joint_vendor that add up."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

from pipelines.money import currency_digits, round_money, rounded_together


def order_amounts(
    goods: Any = 0,
    shipping: Any = 0,
    handling: Any = 0,
    tax: Any = 0,
    *,
    rate: Decimal = Decimal(1),
    vendor_currency: str = "EUR",
    currency: str = "EUR",
) -> dict[str, Any]:
    """The columns of money of one order, from amounts in the vendor's currency, without discount or border."""
    basket = [round_money(Decimal(str(amount)), vendor_currency) for amount in (goods, shipping, handling, tax)]
    converted = rounded_together([Fraction(amount) * Fraction(rate) for amount in basket], currency_digits(currency))
    own = ("vendor_goods_value", "vendor_shipping", "vendor_handling", "vendor_tax")
    return {
        "currency_code": currency,
        **dict(zip(("goods", "shipping", "handling", "tax"), converted, strict=True)),
        "landed_cost": sum(converted, Decimal(0)),
        "border_charges": Decimal(0),
        "vendor_currency_code": vendor_currency,
        **dict(zip(own, basket, strict=True)),
        "vendor_discount": Decimal(0),
        "vendor_total": sum(basket, Decimal(0)),
        "exchange_rate_used": rate.quantize(Decimal("0.000000000001")),
    }
