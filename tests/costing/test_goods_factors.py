"""What a buyer pays for goods per unit of their displayed price: by hand, and always what the landed cost says."""

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.costing.goods_factors import FACTOR_SCHEMA, goods_factors
from pipelines.costing.landed_cost import Purchase, work_out_order
from pipelines.costing.terms_on import terms_on
from pipelines.inputs import WorkspaceInputs
from schemas.inputs.vendors import BORDER_CHARGES, VENDORS
from tests.builders.trend_markets import ABROAD, HOME, inputs, table

DAY = date(2026, 1, 31)


def workspace(terms: list[dict[str, Any]], border: Any = ()) -> WorkspaceInputs:
    """Buyers at home and abroad; vendors of the region "east"."""
    made = inputs(terms=[{"shipping_charge": 0, **row} for row in terms], buyers=(HOME, ABROAD))
    vendors = [
        {"vendor_code": code, "vendor_name": code, "vendor_kind": "independent", "vendor_region_code": "east",
         "currency_code": "EUR"}
        for code in sorted({row["vendor_code"] for row in terms})
    ]  # fmt: skip
    steps = [
        {"buyer_region_code": "north", "vendor_region_code": "east", "currency_code": "EUR", **step} for step in border
    ]
    return replace(
        made, tables=made.tables | {"vendors": table(VENDORS, vendors), "border_charges": table(BORDER_CHARGES, steps)}
    )


def factor(terms: Any, border: Any = (), day: date = DAY, buyer: str = "home") -> float | None:
    rows = terms if isinstance(terms, list) else [terms]
    made = workspace([{"vendor_code": "v1", **row} for row in rows], border)
    found = goods_factors(made, [day]).filter(buyer_code=buyer)
    assert found.schema == FACTOR_SCHEMA
    return found["goods_factor"].item() if found.height else None


@pytest.mark.parametrize(
    ("terms", "expected"),
    [
        ({}, 1),
        ({"tax_rate_pct": 20}, 1.2),
        ({"tax_rate_pct": 20, "tax_on": "goods_and_shipping"}, 1.2),
        ({"tax_rate_pct": 20, "tax_on": "included"}, 1),
        ({"discount_pct": 10}, 0.9),
        ({"discount_pct": 10, "tax_rate_pct": 20}, 1.08),
        ({"discount_pct": 10, "discount_from": 50, "tax_rate_pct": 20}, 1.2),
        ({"order_fee": 3, "order_fee_pct": 5, "shipping_charge": 9, "tax_rate_pct": 20}, 1.2),
    ],
    ids=str,
)
def test_tax_and_discounts_by_hand(terms: dict[str, Any], expected: float) -> None:
    assert factor(terms) == pytest.approx(expected, rel=1e-15)


def test_duty_from_nothing_on_counts_and_is_not_taxed() -> None:
    border = [
        {"goods_from": 0, "duty_pct": 4, "clearance_charge": 9},
        {"goods_from": 150, "duty_pct": 12, "clearance_charge": 9},
    ]
    assert factor({"tax_rate_pct": 20}, border) == pytest.approx(1.24)
    assert factor({"tax_rate_pct": 20, "discount_pct": 50}, border) == pytest.approx(0.64)
    assert factor({"tax_rate_pct": 20}, border[1:]) == pytest.approx(1.2)


def test_terms_are_those_of_the_date_and_the_buyers_own_region_goes_first() -> None:
    rows: list[dict[str, Any]] = [
        {"buyer_region_code": "*", "tax_rate_pct": 10},
        {"buyer_region_code": "*", "tax_rate_pct": 20, "valid_from_on": "2026-01-31"},
        {"buyer_region_code": "south", "tax_rate_pct": 0, "valid_from_on": "2026-01-15"},
    ]
    assert factor(rows, day=date(2026, 1, 30)) == pytest.approx(1.1)
    assert factor(rows) == pytest.approx(1.2)
    assert factor(rows, day=date(2026, 1, 14), buyer="abroad") == pytest.approx(1.1)
    assert factor(rows, buyer="abroad") == 1, "a buyer whom the terms of its region exempt pays none"
    assert factor(rows[2:]) is None, "a vendor that does not serve the region"


share = st.integers(0, 60).map(lambda n: Decimal(n) / 2)


@settings(max_examples=60, deadline=None)
@given(
    share, share, share, st.sampled_from(["goods", "goods_and_shipping", "included"]), st.sampled_from([0, 10_000]),
    st.sampled_from([0, 10_000]), st.integers(1, 99_999),
)  # fmt: skip
def test_it_is_what_the_landed_cost_charges_for_goods(
    tax: Decimal, discount: Decimal, duty: Decimal, tax_on: str, discount_from: int, duty_from: int, cents: int
) -> None:
    """An order below all thresholds, without shipping and fees, costs its displayed value times the factor."""
    terms = {
        "vendor_code": "v1", "tax_rate_pct": tax, "tax_on": tax_on, "discount_pct": discount, "discount_from": discount_from,
    }  # fmt: skip
    made = workspace([terms], [{"goods_from": duty_from, "duty_pct": duty, "clearance_charge": 0}])
    price = Decimal(cents) / 100
    bought = Purchase("p1", "red", "new", "", 1, price, Decimal(1), Decimal(1))
    exact = work_out_order([bought], terms_on(made, DAY, HOME).vendors["v1"]).exact.total
    expected = float(exact) / float(price)
    assert goods_factors(made, [DAY]).filter(pl.col("buyer_code") == "home")["goods_factor"].item() == pytest.approx(
        expected
    )
