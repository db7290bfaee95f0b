from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from pipelines.costing.terms import BorderStep, Handling, ShippingStep
from pipelines.costing.terms_on import assumed_size, terms_on
from pipelines.settings import Buyer
from schemas.inputs.vendors import VENDOR_TERMS
from tests.builders.markets import BUYER, DAY, make_inputs, terms, vendor


def book(day: Any = DAY, buyer: Any = BUYER, **tables: Any) -> Any:
    return terms_on(make_inputs(**tables), day, buyer)


def test_every_term_arrives_exactly() -> None:
    row = terms(
        "a", shipping_charge="7.25", shipping_waived_from="90", minimum_order="5", soft_minimum="20", soft_minimum_charge="3",
        minimum_line_value="0.1", order_fee="0.5", order_fee_pct="1.5", discount_from="100", discount_pct="4",
        tax_rate_pct="21", tax_on="included", maximum_element_count="200", maximum_piece_count="5000", maximum_order_count="3",
    )  # fmt: skip
    assert set(row) - {"vendor_code"} == set(VENDOR_TERMS.columns) - set(VENDOR_TERMS.key), "a term that is not tested"
    found = book(vendors=[vendor("a", vendor_kind="maker")], vendor_terms=[row]).vendors["a"]
    for name in set(row) - {"vendor_code"}:
        assert str(getattr(found, name)) in (row[name], f"{Decimal(row[name]):.6f}" if row[name][0].isdigit() else "")
    assert found.vendor_kind == "maker"
    assert (found.currency_code, found.buyer_currency_code, found.rate) == ("EUR", "EUR", 1)
    assert isinstance(found.maximum_element_count, int)


def test_latest_start_on_or_before_the_day_holds() -> None:
    rows = [
        terms("a", shipping_charge="5"),
        terms("a", shipping_charge="6", valid_from_on="2026-06-01"),
        terms("a", shipping_charge="9", valid_from_on="2026-12-01"),
    ]
    assert book(date(2026, 5, 31), vendor_terms=rows).vendors["a"].shipping_charge == 5
    assert book(date(2026, 6, 1), vendor_terms=rows).vendors["a"].shipping_charge == 6
    assert book(DAY, vendor_terms=rows).vendors["a"].shipping_charge == 6


def test_the_buyers_own_region_goes_before_any_even_when_older() -> None:
    rows = [
        terms("a", shipping_charge="5", buyer_region_code="NL", valid_from_on="2026-01-01"),
        terms("a", shipping_charge="9", valid_from_on="2026-06-01"),
        terms("b", shipping_charge="4", buyer_region_code="PL"),
    ]
    found = book(vendor_terms=rows)
    assert found.vendors["a"].shipping_charge == 5
    assert "NL" in found.left_out["b"]
    assert book(date(2025, 12, 1), vendor_terms=rows).left_out.keys() == {"a", "b", "c"}


def test_vendors_left_out_are_named_with_the_reason() -> None:
    found = book(
        vendors=[vendor("a"), vendor("b", currency_code="USD"), vendor("c")],
        vendor_terms=[terms("a"), terms("b"), terms("ghost")],
        exchange_rates=[
            {"rate_on": "2026-11-10", "from_currency_code": "USD", "to_currency_code": "EUR", "exchange_rate": "0.9"}
        ],
    )
    assert list(found.vendors) == ["a"]
    assert "USD to EUR" in found.left_out["b"] and "7 days" in found.left_out["b"]
    assert "region" in found.left_out["c"]
    assert "vendors" in found.left_out["ghost"]
    assert found.why_left_out("a") == ""
    assert found.why_left_out("b") == found.left_out["b"]
    assert "vendors" in found.why_left_out("never heard of")


def test_a_vendor_that_takes_no_orders_is_left_out_until_it_opens_again() -> None:
    rows = [
        {"vendor_code": "a", "closed_from_on": "2026-11-20", "opens_again_on": "2026-11-27", "reason": "stocktaking"},
        {"vendor_code": "a", "closed_from_on": "2026-11-27", "opens_again_on": "2026-12-01", "reason": "a holiday"},
        {"vendor_code": "a", "closed_from_on": "2026-11-22", "opens_again_on": "2026-11-24"},
        {"vendor_code": "a", "closed_from_on": "2026-12-24"},
        {"vendor_code": "b", "closed_from_on": "2027-01-01", "reason": "gone for good"},
    ]
    before = "it takes no orders before 2026-12-01: "
    for day, reported in (
        (date(2026, 11, 19), {}),
        (date(2026, 11, 20), {"a": before + "stocktaking, a holiday"}),
        (date(2026, 11, 30), {"a": before + "a holiday"}),
        (date(2026, 12, 1), {}),
        (date(2026, 12, 24), {"a": "it takes no orders until further notice"}),
    ):
        found = book(day, vendor_closures=rows)
        assert found.left_out == reported
        assert set(found.vendors) == {"a", "b", "c"} - set(reported)
    assert book(date(2027, 1, 1), vendor_closures=rows).left_out["b"].endswith("notice: gone for good")


def test_the_margin_is_added_to_foreign_rates_only() -> None:
    buyer = Buyer(buyer_code="x", title="x", region_code="NL", currency_code="EUR", exchange_margin_pct=Decimal("2.5"))
    found = book(
        buyer=buyer,
        vendors=[vendor("a"), vendor("b", currency_code="USD")],
        exchange_rates=[
            {"rate_on": "2026-11-24", "from_currency_code": "EUR", "to_currency_code": "USD", "exchange_rate": "1.25"}
        ],
    )
    assert found.vendors["a"].rate == 1
    assert found.vendors["b"].rate == Fraction(4, 5) * Fraction(1025, 1000)


def test_shipping_steps_hold_as_whole_tables_per_basis() -> None:
    step = {"vendor_code": "a", "step_basis": "goods_value"}
    rows = [
        {**step, "step_from": "0", "step_to": "50", "step_charge": "4"},
        {**step, "step_from": "50", "step_charge": "6"},
        {**step, "step_from": "0", "step_charge": "5", "valid_from_on": "2026-06-01"},
        {**step, "step_basis": "weight_grams", "step_from": "0", "step_to": "500", "step_charge": "1"},
    ]
    parts = [{"part_code": "brick", "part_name": "Brick", "weight_grams": "2"}]
    weight = ShippingStep("weight_grams", Decimal(0), Decimal(500), Decimal(1))
    before = book(date(2026, 5, 1), shipping_steps=rows, parts=parts).vendors["a"].shipping_steps
    assert before == (
        ShippingStep("goods_value", Decimal(0), Decimal(50), Decimal(4)),
        ShippingStep("goods_value", Decimal(50), None, Decimal(6)),
        weight,
    )
    after = book(shipping_steps=rows, parts=parts).vendors["a"].shipping_steps
    assert after == (ShippingStep("goods_value", Decimal(0), None, Decimal(5)), weight)


def test_shipping_by_weight_needs_some_known_weight() -> None:
    rows = [{"vendor_code": "a", "step_basis": "weight_grams", "step_from": "0", "step_charge": "1"}]
    assert "weight_grams" in book(shipping_steps=rows).left_out["a"]
    assert "b" in book(shipping_steps=rows).vendors


def test_handling_charges_by_assortment() -> None:
    rows = [
        {"vendor_code": "a", "assortment_code": "loose", "handling_charge": "2"},
        {"vendor_code": "a", "assortment_code": "loose", "handling_charge": "3", "valid_from_on": "2026-06-01"},
        {"vendor_code": "a", "assortment_code": "rare", "handling_charge": "1", "handling_waived_from": "20"},
    ]
    assert book(handling_charges=rows).vendors["a"].handling == {
        "loose": Handling(Decimal(3), None),
        "rare": Handling(Decimal(1), Decimal(20)),
    }
    assert book(handling_charges=rows).vendors["b"].handling == {}


def test_border_charges_by_pair_of_regions() -> None:
    row = {"buyer_region_code": "NL", "vendor_region_code": "CH", "currency_code": "EUR"}
    rows = [
        {**row, "goods_from": "150", "duty_pct": "4", "clearance_charge": "10"},
        {**row, "duty_pct": "0", "clearance_charge": "3"},
    ]
    vendors = [vendor("a"), vendor("b", vendor_region_code="CH")]
    found = book(vendors=vendors, border_charges=rows)
    assert found.vendors["a"].border == ()
    assert found.vendors["b"].border == (
        BorderStep(Decimal(0), Decimal(0), Decimal(3)),
        BorderStep(Decimal(150), Decimal(4), Decimal(10)),
    )
    foreign = book(vendors=vendors, border_charges=[{**row, "currency_code": "USD"}])
    assert "EUR" in foreign.left_out["b"] and "a" in foreign.vendors


def test_assumed_size_is_the_95th_percentile_of_what_is_known() -> None:
    parts = [{"part_code": f"p{n}", "part_name": "x", "weight_grams": n} for n in range(1, 101)]
    parts.append({"part_code": "unknown", "part_name": "x"})
    assert assumed_size(make_inputs(parts=parts).tables["parts"], "weight_grams") == 95
    assert assumed_size(make_inputs(parts=parts[:1]).tables["parts"], "weight_grams") == 1
    assert assumed_size(make_inputs().tables["parts"], "weight_grams") is None
