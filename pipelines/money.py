"""Exact money: decimals only, rounded half-up once, to the currency's own digits; and amounts known within two ends.

Half-up, as published tax rules have it (US Streamlined Sales Tax Agreement section 324;
UK VATREC12030). Digits per currency are ISO 4217's, from the ``iso4217`` package.

A plan costs exactly what it costs. What the model costs at best is only known to lie between the plan's lower bound and its
cost. A sign, a rank or a lowest is stated only where it holds for every value in between, as interval arithmetic gives it
(IEEE 1788-2015, section 10.5: sum, difference).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from fractions import Fraction
from functools import cache
from typing import Any, Literal

Exact = Decimal | Fraction | int
Direction = Literal[-1, 0, 1]

RATE_DIGITS = 12
"""Decimals of an exchange rate. A rate with more would give amounts that nobody can check from what is shown."""


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


def rounded_together(parts: Iterable[Exact], digits: int) -> list[Decimal]:
    """Parts rounded to ``digits`` decimals so that they add up to their exact sum, rounded half-up.

    Each is rounded down; the units that are missing go to the largest remainders, and of equal ones to the first. So no part is
    a whole unit off, and a part that needs no rounding stays as it is.
    """
    exact_parts = [exact(part) for part in parts]
    floors = [_rounded(part, digits, ROUND_FLOOR) for part in exact_parts]
    total = _rounded(sum(exact_parts, Fraction(0)), digits, ROUND_HALF_UP)
    unit = Decimal(1).scaleb(-digits)
    missing = int((total - sum(floors, Decimal(0))) / unit)
    by_remainder = sorted(range(len(floors)), key=lambda at: (exact(floors[at]) - exact_parts[at], at))
    raised = set(by_remainder[:missing])
    return [floor + unit if at in raised else floor for at, floor in enumerate(floors)]


def used_rate(rate: Fraction) -> Fraction:
    """An exchange rate as it is used and shown: rounded half-up to RATE_DIGITS decimals."""
    return Fraction(_rounded(rate, RATE_DIGITS, ROUND_HALF_UP))


def _rounded(value: Fraction, digits: int, rounding: str) -> Decimal:
    scaled, denominator = value.numerator * 10**digits, value.denominator
    whole, rest = divmod(abs(scaled), denominator)
    negative = scaled < 0
    if rounding == ROUND_HALF_UP:
        whole += 2 * rest >= denominator
    else:
        whole += negative and rest > 0
    return Decimal(-whole if negative else whole).scaleb(-digits)


@dataclass(frozen=True)
class Interval:
    """An amount that lies between two ends, both possible.

    Raises:
        ValueError: the ends are not in order.
    """

    low: Decimal
    high: Decimal

    def __post_init__(self) -> None:
        if self.low > self.high:
            raise ValueError(f"{self.low} to {self.high} is no interval")

    def __add__(self, other: Interval) -> Interval:
        return Interval(self.low + other.low, self.high + other.high)

    def __sub__(self, other: Interval) -> Interval:
        return Interval(self.low - other.high, self.high - other.low)

    def __neg__(self) -> Interval:
        return Interval(-self.high, -self.low)

    @property
    def width(self) -> Decimal:
        """How far apart the ends are."""
        return self.high - self.low

    @property
    def direction(self) -> Direction | None:
        """1 where every value is above 0, -1 where every value is below, 0 where all are 0; None where that is not known."""
        if self.low > 0:
            return 1
        if self.high < 0:
            return -1
        return 0 if self.low == self.high else None

    def is_below(self, other: Interval) -> bool:
        """Whether every value is below every value of the other."""
        return self.high < other.low


def exactly(amount: Decimal) -> Interval:
    """An amount that is known."""
    return Interval(amount, amount)


def cost_interval(plan: Mapping[str, Any]) -> Interval:
    """Between which the best possible complete cost lies: [lower bound, landed cost] plus the estimate for missing pieces.

    Args:
        plan: a row of model_cost: landed_cost, lower_bound, unfilled_estimate. The estimate is taken as it is.
    """
    estimate = plan["unfilled_estimate"]
    return Interval(min(plan["lower_bound"], plan["landed_cost"]) + estimate, plan["landed_cost"] + estimate)


def lowest(intervals: Sequence[Interval]) -> int | None:
    """Which one is the lowest for every value of all of them; None where that is not known."""
    for number, own in enumerate(intervals):
        if all(own.is_below(other) for at, other in enumerate(intervals) if at != number):
            return number
    return None
