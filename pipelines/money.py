"""Exact money: decimals only, rounded half-up once, to the currency's own digits.

Half-up, as published tax rules have it (US Streamlined Sales Tax Agreement section 324;
UK VATREC12030). Digits per currency are ISO 4217's, from the ``iso4217`` package.
"""

from __future__ import annotations

from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from fractions import Fraction
from functools import cache

Exact = Decimal | Fraction | int


@cache
def currency_digits(currency_code: str) -> int:
    """Digits after the point in amounts of a currency (ISO 4217).

    Raises:
        ValueError: the code is not a current ISO 4217 code with minor units.
    """
    from iso4217 import Currency

    try:
        digits = Currency(currency_code).exponent
    except ValueError:
        digits = None
    if digits is None:
        raise ValueError(f"{currency_code!r} is not a currency of ISO 4217")
    return int(digits)


def is_currency(currency_code: str) -> bool:
    """Whether the code is an ISO 4217 currency with minor units."""
    try:
        currency_digits(currency_code)
    except ValueError:
        return False
    return True


def exact(value: Exact) -> Fraction:
    """The value as an exact fraction.

    Raises:
        TypeError: a binary float, which money never is.
    """
    if isinstance(value, float):
        raise TypeError("money is never a binary float")
    return value if isinstance(value, Fraction) else Fraction(value)


def round_half_up(value: Exact, digits: int) -> Decimal:
    """Round to ``digits`` decimals, ties away from zero."""
    return _rounded(exact(value), digits, ROUND_HALF_UP)


def round_down(value: Exact, digits: int) -> Decimal:
    """The largest number with ``digits`` decimals that is not above the value, so that a lower bound stays one."""
    return _rounded(exact(value), digits, ROUND_FLOOR)


def round_money(value: Exact, currency_code: str) -> Decimal:
    """Round half-up to the currency's digits."""
    return round_half_up(value, currency_digits(currency_code))


def _rounded(value: Fraction, digits: int, rounding: str) -> Decimal:
    scaled, denominator = value.numerator * 10**digits, value.denominator
    whole, rest = divmod(abs(scaled), denominator)
    negative = scaled < 0
    if rounding == ROUND_HALF_UP:
        whole += 2 * rest >= denominator
    else:
        whole += negative and rest > 0
    return Decimal(-whole if negative else whole).scaleb(-digits)
