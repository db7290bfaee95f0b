"""Landed costs worked by hand, and published rounding rules."""

from dataclasses import astuple
from decimal import Context, Decimal
from fractions import Fraction
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.costing.landed_cost import PURCHASE_COLUMNS, Components, Purchase, work_out, work_out_order
from pipelines.costing.terms import BorderStep, Handling, ShippingStep, VendorTerms
from pipelines.errors import PlanRefusedError
from pipelines.money import round_money

D = Decimal


def bought(
    price: Any,
    quantity: int = 1,
    part: str = "brick",
    colour: str = "teal",
    assortment: str = "",
    grams: str = "1",
    longest: str = "10",
) -> Any:
    return Purchase(part, colour, "new", assortment, quantity, D(price), D(grams), D(longest))


def order(*purchases: Any, **terms: Any) -> Any:
    return work_out_order(purchases, VendorTerms("v1", **terms))


def parts(goods: str = "0", shipping: str = "0", handling: str = "0", tax: str = "0") -> Any:
    return Components(D(goods), D(shipping), D(handling), D(tax))


def rules(landed_cost: Any) -> Any:
    return [rule.rule for rule in landed_cost.broken_rules]


@pytest.mark.parametrize(
    ("prices", "rate", "tax"),
    [
        # Rule: US Streamlined Sales Tax Agreement section 324 (R.I. Gen. Laws 44-18.1-25): carry to the third decimal, up
        # when it is above four, by item or by invoice. Ours is by invoice: 0.025 + 0.125 + 0.225 = 0.375 -> 0.38, where by
        # item half-up gives 0.39 and half-even 0.36.
        ([("0.50", 1), ("2.50", 1), ("4.50", 1)], "5", "0.38"),
        # The same rule: 2.06 x 7 % = 0.1442 -> 0.14 by invoice, 0.13 by line.
        ([("0.33", 3), ("1.07", 1)], "7", "0.14"),
        # UK VATREC12030: below half a penny down, half a penny and above up.
        ([("0.10", 1)], "5", "0.01"),
        ([("0.098", 1)], "5", "0.00"),
        # 2.675 as a binary float rounds to 2.67; as a decimal half-up to 2.68.
        ([("2.675", 1)], "100", "2.68"),
    ],
)
def test_tax_is_rounded_half_up_once_per_order(prices: list[tuple[str, int]], rate: str, tax: str) -> None:
    landed_cost = order(*(bought(*price) for price in prices), tax_rate_pct=D(rate))
    assert landed_cost.rounded.tax == D(tax)


@pytest.mark.parametrize(
    ("currency", "goods", "tax"),
    # Digits after the point are ISO 4217's: JPY 0, KWD 3, HUF 2, USD 2.
    [("JPY", "124", "12"), ("KWD", "123.500", "12.350"), ("HUF", "123.50", "12.35"), ("USD", "123.50", "12.35")],
)
def test_amounts_have_the_currency_s_digits(currency: str, goods: str, tax: str) -> None:
    landed_cost = order(bought("123.5"), currency_code=currency, buyer_currency_code=currency, tax_rate_pct=D(10))
    assert (str(landed_cost.rounded.goods), str(landed_cost.rounded.tax)) == (goods, tax)


def test_an_order_with_everything_by_hand() -> None:
    landed_cost = order(
        bought("0.125", 100, assortment="tiles"),  # 12.50
        bought("2.20", 5, part="plate", assortment="plates"),  # 11.00
        bought("0.333333", 3, part="plate", colour="olive"),  # 0.999999
        shipping_charge=D("4"),
        shipping_steps=(
            ShippingStep("weight_grams", D(0), D(100), D("1")),
            ShippingStep("weight_grams", D(100), D(500), D("2.5")),
            ShippingStep("largest_dimension_mm", D(0), None, D("0.25")),
            ShippingStep("goods_value", D(20), D(30), D("0.75")),
        ),
        shipping_waived_from=D(50),
        handling={"tiles": Handling(D("1.5"), D("12.5")), "plates": Handling(D("0.9"), D("11.01"))},
        order_fee=D("0.35"),
        order_fee_pct=D(2),
        soft_minimum=D(25),
        soft_minimum_charge=D("0.60"),
        discount_from=D(20),
        discount_pct=D(10),
        tax_rate_pct=D(8),
        tax_on="goods_and_shipping",
    )
    # goods value 24.499999; discount 10 %: 22.0499991. Shipping 4 + 2.50 (108 g) + 0.25 + 0.75 = 7.50. Handling: tiles waived
    # (12.50 reaches 12.50), plates 0.90, fees 0.35 + 0.48999998, below the soft minimum 0.60: 2.33999998. Tax: 8 % of 31.88999908.
    assert landed_cost.goods_value == Fraction("24.499999")
    assert landed_cost.exact.goods == Fraction("22.0499991")
    assert landed_cost.exact.shipping == Fraction("7.5")
    assert landed_cost.exact.handling == Fraction("2.33999998")
    assert landed_cost.exact.tax == Fraction("31.88999908") * 8 / 100
    assert landed_cost.rounded == landed_cost.charged == parts("22.05", "7.50", "2.34", "2.55")
    assert (landed_cost.element_count, landed_cost.piece_count, landed_cost.broken_rules) == (3, 108, ())


def test_tax_on_goods_leaves_shipping_and_handling_alone() -> None:
    landed_cost = order(bought("10"), shipping_charge=D(5), order_fee=D(1), tax_rate_pct=D(23))
    assert landed_cost.rounded == parts("10", "5", "1", "2.30")


def test_included_tax_is_taken_out_of_every_component() -> None:
    landed_cost = order(
        bought("12.30"), shipping_charge=D("6.15"), order_fee=D("2.46"), tax_rate_pct=D(23), tax_on="included"
    )
    assert landed_cost.exact == Components(Fraction(10), Fraction(5), Fraction(2), Fraction("3.91"))
    assert landed_cost.rounded == parts("10", "5", "2", "3.91")


def test_rounded_parts_of_an_included_tax_add_up_to_what_is_displayed() -> None:
    # Net 4.0650, 4.0650 and 1.6260 round to 4.07 + 4.07 + 1.63 = 9.77; the tax 2.244 alone would round to 2.24 and
    # make 12.01 of the 12.00 to pay.
    landed_cost = order(bought("5"), shipping_charge=D(5), order_fee=D(2), tax_rate_pct=D(23), tax_on="included")
    assert landed_cost.rounded == parts("4.07", "4.07", "1.63", "2.23")


def test_components_are_rounded_in_the_vendor_s_currency_and_add_up_to_the_converted_total() -> None:
    landed_cost = order(
        bought("333.4"), currency_code="JPY", rate=Fraction("0.0061"), shipping_charge=D("1200.5"), tax_rate_pct=D(10)
    )
    # 333.4 -> 333 JPY -> 2.0313; 1200.5 -> 1201 JPY -> 7.3261; 33.34 -> 33 JPY -> 0.2013. Together 1567 JPY -> 9.5587 -> 9.56:
    # 2.03 + 7.32 + 0.20 and one cent for the largest remainder, 0.0061.
    assert landed_cost.charged == parts("333", "1201", "0", "33")
    assert landed_cost.rounded == parts("2.03", "7.33", "0", "0.20")
    assert landed_cost.exact.goods == Fraction("2.03374")


BORDER = (BorderStep(D(0), D(0), D("0.5")), BorderStep(D(20), D("4.7"), D(3)))


@pytest.mark.parametrize(("price", "tax"), [("9.99", "2.50"), ("10", "5.94")])
def test_border_steps_compare_the_converted_goods_value(price: str, tax: str) -> None:
    landed_cost = order(bought(price), currency_code="GBP", rate=Fraction(2), tax_rate_pct=D(10), border=BORDER)
    # 9.99 -> 19.98: tax 1.00 x 2 + 0.50. 10 -> 20: tax 1.00 x 2 + 4.7 % of 20 + 3. The tax, 0.999 or 1, is 1.00 either way.
    assert landed_cost.rounded.tax == D(tax)
    assert landed_cost.charged.tax == D("1.00")


@pytest.mark.parametrize(
    ("terms", "below", "at"),
    [
        ({"shipping_charge": D(7), "shipping_waived_from": D(10)}, 7, 0),
        ({"soft_minimum": D(10), "soft_minimum_charge": D(2)}, 2, 0),
        ({"handling": {"a": Handling(D(3), D(10))}}, 3, 0),
        ({"discount_from": D(10), "discount_pct": D(50)}, 0, -5),
        ({"shipping_steps": (ShippingStep("goods_value", D(10), None, D(4)),)}, 0, 4),
        ({"shipping_steps": tuple(ShippingStep("goods_value", D(f), D(t), D(c)) for f, t, c in ((0, 10, 1), (10, 99, 2)))}, 1, 2),
        ({"border": (BorderStep(D(10), D(0), D(6)),)}, 0, 6),
    ],
)  # fmt: skip
def test_a_threshold_is_reached_by_equality(terms: dict[str, Any], below: int, at: int) -> None:
    for price, extra in (("9.999999", below), ("10", at)):
        landed_cost = order(bought(price, assortment="a"), **terms)
        assert landed_cost.exact.total == Fraction(price) + extra


def test_the_waiver_waives_every_part_of_shipping_but_not_its_limits() -> None:
    steps = (ShippingStep("weight_grams", D(0), D(100), D(3)),)
    heavy = bought("1", 200)
    landed_cost = order(heavy, shipping_charge=D(5), shipping_steps=steps, shipping_waived_from=D(100))
    assert landed_cost.exact.shipping == 0
    assert rules(landed_cost) == ["shipping_steps"]


@pytest.mark.parametrize(
    ("terms", "rule"),
    [
        ({"minimum_order": D("10.01")}, "minimum_order"),
        ({"minimum_line_value": D("4.01")}, "minimum_line_value"),
        ({"maximum_element_count": 1}, "maximum_element_count"),
        ({"maximum_piece_count": 4}, "maximum_piece_count"),
        ({"shipping_steps": (ShippingStep("weight_grams", D(0), D(5), D(1)),)}, "shipping_steps"),
        ({"shipping_steps": (ShippingStep("largest_dimension_mm", D(0), D(10), D(1)),)}, "shipping_steps"),
        ({"shipping_steps": (ShippingStep("goods_value", D(0), D(10), D(1)),)}, "shipping_steps"),
    ],
)
def test_each_rule_is_named_when_broken_and_only_then(terms: dict[str, Any], rule: str) -> None:
    two_lines = [bought("2", 2), bought("2", 3, part="plate")]
    assert rules(order(*two_lines, **terms)) == [rule]
    relaxed: dict[str, dict[str, Any]] = {
        "minimum_order": {"minimum_order": D(10)},
        "minimum_line_value": {"minimum_line_value": D(4)},
        "maximum_element_count": {"maximum_element_count": 2},
        "maximum_piece_count": {"maximum_piece_count": 5},
        "shipping_steps": {"shipping_steps": (ShippingStep("weight_grams", D(0), D("5.01"), D(1)),)},
    }
    assert rules(order(*two_lines, **relaxed[rule])) == []


def test_one_element_in_two_listings_counts_once() -> None:
    landed_cost = order(bought("1"), bought("2"), maximum_element_count=1)
    assert landed_cost.element_count == 1 and not landed_cost.broken_rules


def frame(*rows: Any) -> Any:
    data = [(vendor, p.part_code, p.colour_code, p.condition, *p[3:]) for vendor, p in rows]
    money = pl.Decimal(18, 6)
    types = dict.fromkeys(("unit_price", "weight_grams", "largest_dimension_mm", "goods_value"), money)
    return pl.DataFrame(data, schema=[*PURCHASE_COLUMNS, "goods_value"], orient="row", schema_overrides=types)


def test_a_plan_adds_up_its_vendors() -> None:
    terms = {
        "v1": VendorTerms("v1", shipping_charge=D(7), tax_rate_pct=D(7)),
        "v2": VendorTerms("v2", currency_code="KWD", rate=Fraction("2.9"), shipping_charge=D("1.2345")),
    }
    landed_cost = work_out(frame(("v2", bought("0.105", 3)), ("v1", bought("0.333333", 3))), terms)
    first, second = landed_cost.vendors
    assert (first.vendor_code, second.vendor_code) == ("v1", "v2")
    assert first.rounded == parts("1.00", "7.00", "0", "0.07")
    assert second.charged == parts("0.315", "1.235")
    # 1.550 KWD -> 4.495 -> 4.50. Of 0.9135 and 3.5815, which alone would make 0.91 + 3.58 = 4.49, the first has the larger rest.
    assert second.rounded == parts("0.92", "3.58")
    assert landed_cost.rounded == parts("1.92", "10.58", "0", "0.07")
    assert landed_cost.total == D("12.57")
    assert landed_cost.exact_cost == Fraction("0.999999") * 107 / 100 + 7 + Fraction("2.9") * (
        Fraction("0.315") + Fraction("1.2345")
    )


def test_nothing_bought_costs_nothing() -> None:
    landed_cost = work_out(frame(), {})
    assert (landed_cost.total, landed_cost.exact_cost, landed_cost.broken_rules) == (0, 0, ())


def test_a_vendor_without_terms_and_mixed_buyers_are_refused() -> None:
    with pytest.raises(PlanRefusedError, match="without terms"):
        work_out(frame(("v9", bought("1"))), {})
    terms = {"v1": VendorTerms("v1"), "v2": VendorTerms("v2", buyer_currency_code="USD")}
    with pytest.raises(PlanRefusedError, match="EUR, USD"):
        work_out(frame(("v1", bought("1")), ("v2", bought("1"))), terms)


prices = st.decimals("0.000001", 500, places=6)


@given(
    st.lists(st.tuples(prices, st.integers(1, 2000)), min_size=1, max_size=5),
    st.sampled_from(["goods", "goods_and_shipping", "included"]),
    st.decimals(0, 30, places=2),
    st.sampled_from(["EUR", "JPY", "KWD"]),
    st.fractions("1/200", 200),
)
def test_rounding_moves_a_total_by_less_than_a_unit_per_rounding(
    bought_lines: Any, tax_on: Any, rate_pct: Any, currency: Any, rate: Any
) -> None:
    landed_cost = work_out_order(
        [bought(price, quantity) for price, quantity in bought_lines],
        VendorTerms(
            "v1", currency_code=currency, rate=rate, tax_on=tax_on, tax_rate_pct=rate_pct, shipping_charge=D("7.005")
        ),
    )
    unit = {"EUR": Fraction(1, 100), "JPY": Fraction(1), "KWD": Fraction(1, 1000)}[currency]
    # At most four roundings of half a unit of the vendor's money (seven where tax is included), then one of the buyer's.
    assert abs(Fraction(landed_cost.rounded.total) - landed_cost.exact.total) <= 7 * rate * unit / 2 + Fraction(1, 200)
    assert landed_cost.rounded.total == round_money(Fraction(landed_cost.charged.total) * rate, "EUR")
    assert landed_cost.basket.total == landed_cost.charged.total
    for own, converted in zip(astuple(landed_cost.charged), astuple(landed_cost.rounded), strict=True):
        assert abs(Fraction(converted) - Fraction(own) * rate) < Fraction(1, 100)
    if tax_on == "included":
        displayed = Fraction(landed_cost.goods_value) + Fraction("7.005")
        assert abs(Fraction(landed_cost.charged.total) - displayed) <= unit


@given(
    lines=st.lists(
        st.tuples(
            st.integers(0, 10**18 - 1).map(lambda whole: str(D(whole).scaleb(-6))),
            st.integers(1, 10**18),
            st.sampled_from("xyz"),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_sums_are_exact_whatever_their_digits(lines: Any) -> None:
    """The widest prices and piece counts a table can hold, far beyond the 28 digits decimals have by themselves."""
    purchases = [
        bought(price, quantity, f"p{n}", "teal", code, price) for n, (price, quantity, code) in enumerate(lines)
    ]
    worth = sum((Fraction(price) * quantity for price, quantity, _ in lines), Fraction(0))
    of_x = sum((Fraction(price) * quantity for price, quantity, code in lines if code == "x"), Fraction(0))
    heavy = ShippingStep("weight_grams", Context(prec=100).divide(worth.numerator, D(worth.denominator)), None, D(3))
    landed_cost = order(*purchases, shipping_steps=(heavy,), handling={"x": Handling(D(7), D(10**9))})
    assert landed_cost.goods_value == worth
    assert landed_cost.exact.handling == (7 if "x" in {code for *_, code in lines} and of_x < 10**9 else 0)
    assert landed_cost.exact.total == worth + landed_cost.exact.handling + 3
