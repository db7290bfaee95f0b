"""Exact money against published digits and rounding rules, and against exact fractions."""

from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.money import (
    currency_digits,
    exact,
    is_currency,
    round_down,
    round_half_up,
    round_money,
    rounded_together,
)


# ISO 4217 (list one, published by its maintenance agency): minor units.
@pytest.mark.parametrize(
    ("code", "digits"),
    [("USD", 2), ("EUR", 2), ("JPY", 0), ("ISK", 0), ("HUF", 2), ("KWD", 3), ("IQD", 3), ("CLF", 4), ("UYW", 4)],
)
def test_currency_digits_are_those_of_iso_4217(code: str, digits: int) -> None:
    assert currency_digits(code) == digits


@pytest.mark.parametrize("code", ["EU", "eur", "XYZ", "", "XAU"])
def test_unknown_currencies_are_refused(code: str) -> None:
    assert not is_currency(code)
    with pytest.raises(ValueError, match="ISO 4217"):
        currency_digits(code)


def test_half_up_to_the_third_decimal() -> None:
    """US Streamlined Sales Tax Agreement section 324: round up when the third decimal is above four."""
    taxes = [Decimal("0.025"), Decimal("0.125"), Decimal("0.225")]  # 5 % of 0.50, 2.50, 4.50
    assert [round_money(tax, "USD") for tax in taxes] == [Decimal("0.03"), Decimal("0.13"), Decimal("0.23")]
    assert round_money(sum(taxes), "USD") == Decimal("0.38")
    assert round_money(Decimal("0.0249999"), "USD") == Decimal("0.02")


def test_binary_floats_are_never_money() -> None:
    binary: Any = 0.1
    with pytest.raises(TypeError):
        exact(binary)


@given(st.fractions(min_value=-1000, max_value=1000, max_denominator=10**9), st.integers(0, 6))
def test_rounding_is_the_nearest_and_never_above_when_down(value: Any, digits: Any) -> None:
    nearest, lower = round_half_up(value, digits), round_down(value, digits)
    unit = Fraction(1, 10**digits)
    assert abs(Fraction(nearest) - value) <= unit / 2
    assert 0 <= value - Fraction(lower) < unit


@given(st.decimals(min_value=-10000, max_value=10000, places=6), st.integers(0, 4))
def test_half_up_agrees_with_the_standard_library(value: Any, digits: Any) -> None:
    assert round_half_up(value, digits) == value.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP)


@given(st.lists(st.fractions(-1000, 1000), max_size=8), st.integers(0, 4))
def test_parts_rounded_together_add_up_and_none_is_a_unit_off(parts: list[Fraction], digits: int) -> None:
    rounded = rounded_together(parts, digits)
    unit = Fraction(1, 10**digits)
    assert sum(rounded, Decimal(0)) == round_half_up(sum(parts, Fraction(0)), digits)
    assert all(abs(Fraction(each) - part) < unit for each, part in zip(rounded, parts, strict=True))
    assert all(Fraction(each) == part for each, part in zip(rounded, parts, strict=True) if part % unit == 0)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        (("0.005", "0.005"), ("0.01", "0.00")),  # of equal remainders the first
        (("0.333", "0.333", "0.334"), ("0.33", "0.33", "0.34")),
        (("-0.005", "-0.005"), ("0.00", "-0.01")),
        (("2.0313", "7.3261", "0", "0.2013"), ("2.03", "7.33", "0.00", "0.20")),
        ((), ()),
    ],
)
def test_missing_units_go_to_the_largest_remainders(parts: tuple[str, ...], expected: tuple[str, ...]) -> None:
    assert rounded_together(map(Decimal, parts), 2) == list(map(Decimal, expected))
