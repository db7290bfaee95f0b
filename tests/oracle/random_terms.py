"""Hypothesis strategies for vendors' terms with every rule, on coarse money so that thresholds are often met exactly."""

from decimal import Decimal
from fractions import Fraction
from typing import Literal

from hypothesis import strategies as st

from pipelines.costing.terms import BorderStep, Handling, ShippingStep, VendorTerms

ASSORTMENTS = ("tiles", "plates")


Basis = Literal["goods_value", "weight_grams", "largest_dimension_mm"]


def amounts(low: str, high: str) -> st.SearchStrategy[Decimal]:
    """Multiples of 0.25."""
    return st.integers(int(Decimal(low) * 4), int(Decimal(high) * 4)).map(lambda quarters: Decimal(quarters) / 4)


def maybe(strategy: st.SearchStrategy, otherwise: object) -> st.SearchStrategy:
    """Mostly without the rule, so that plans stay possible."""
    return st.one_of(st.just(otherwise), st.just(otherwise), strategy)


@st.composite
def shipping_steps(
    draw: st.DrawFn,
    basis: Literal["goods_value", "weight_grams", "largest_dimension_mm"],
    ends: st.SearchStrategy[list[Decimal]],
) -> tuple[ShippingStep, ...]:
    """Adjoining steps from 0 or above; the last may have an end."""
    points = sorted(set(draw(ends)))
    last = [None] if draw(st.booleans()) or len(points) < 2 else []
    starts, stops = (points, [*points[1:], None]) if last else (points[:-1], points[1:])
    return tuple(
        ShippingStep(basis, start, stop, draw(amounts("0", "4"))) for start, stop in zip(starts, stops, strict=True)
    )


@st.composite
def vendor_terms(draw: st.DrawFn, vendor_code: str = "v1") -> VendorTerms:
    """Terms in any currency and tax setting, with any of the rules."""
    steps: tuple[ShippingStep, ...] = ()
    by_basis: tuple[tuple[Basis, st.SearchStrategy[list[Decimal]]], ...] = (
        ("goods_value", st.lists(amounts("0", "20"), min_size=1, max_size=3)),
        ("weight_grams", st.lists(amounts("0", "30"), min_size=1, max_size=3)),
        ("largest_dimension_mm", st.lists(st.sampled_from([Decimal(0), Decimal(15), Decimal(30)]), min_size=1, max_size=3)),
    )  # fmt: skip
    for basis, ends in by_basis:
        steps += draw(maybe(shipping_steps(basis, ends), ()))
    handling = {
        code: Handling(draw(amounts("0", "3")), draw(st.one_of(st.none(), amounts("0.25", "8"))))
        for code in ASSORTMENTS
        if draw(st.integers(0, 2)) == 0
    }
    border = tuple(
        BorderStep(start, Decimal(draw(st.integers(0, 12))), draw(amounts("0", "3")))
        for start in sorted(draw(maybe(st.sets(amounts("0", "15"), min_size=1, max_size=2), set())))
    )
    return VendorTerms(
        vendor_code,
        currency_code=draw(st.sampled_from(["EUR", "JPY", "KWD"])),
        rate=draw(st.sampled_from([Fraction(1), Fraction(1), Fraction("0.9"), Fraction(13, 7)])),
        shipping_charge=draw(amounts("0", "7")),
        shipping_waived_from=draw(maybe(amounts("0", "20"), None)),
        shipping_steps=steps,
        minimum_order=draw(maybe(amounts("0", "8"), Decimal(0))),
        soft_minimum=draw(maybe(amounts("0", "10"), Decimal(0))),
        soft_minimum_charge=draw(amounts("0", "2")),
        minimum_line_value=draw(maybe(amounts("0", "2"), Decimal(0))),
        order_fee=draw(maybe(amounts("0", "1"), Decimal(0))),
        order_fee_pct=Decimal(draw(st.sampled_from([0, 0, 3]))),
        discount_from=draw(amounts("0", "15")),
        discount_pct=Decimal(draw(st.sampled_from([0, 0, 10, 35]))),
        tax_rate_pct=Decimal(draw(st.sampled_from([0, 7, 23]))),
        tax_on=draw(st.sampled_from(["goods", "goods_and_shipping", "included"])),
        maximum_element_count=draw(maybe(st.integers(1, 3), None)),
        maximum_piece_count=draw(maybe(st.integers(2, 12), None)),
        handling=handling,
        border=border,
    )
