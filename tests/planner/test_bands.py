"""Bands against the landed cost: both work from the terms, neither from the other."""

from decimal import Decimal
from fractions import Fraction
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.costing.landed_cost import Purchase, work_out_order
from pipelines.costing.terms import BorderStep, Handling, ShippingStep, VendorTerms
from pipelines.planner.statement.bands import Band, HandlingBand, SizeStep, VendorBands, compile_terms
from tests.oracle.random_terms import ASSORTMENTS, vendor_terms
from tests.present import present

D = Decimal


def step_at(steps: tuple[SizeStep, ...], size: Any) -> SizeStep | None:
    return next((step for step in steps if step.start <= size and (step.end is None or size < step.end)), None)


def cost_by_bands(order: list[Purchase], bands: VendorBands) -> Fraction | None:
    """What the bands say an order costs; None when it cannot be ordered."""
    values = [Fraction(p.unit_price) * p.quantity for p in order]
    band = bands.band_at(sum(values, Fraction(0)))
    if band is None or min(values) < bands.minimum_line_value:
        return None
    cost = band.cost(sum(values, Fraction(0)))
    for code, handling in bands.handling.items():
        subtotal = sum(value for value, p in zip(values, order, strict=True) if p.assortment_code == code)
        if subtotal and (handling.waived_from is None or subtotal < handling.waived_from):
            cost += handling.charge
    weight = sum(Fraction(p.weight_grams) * p.quantity for p in order)
    longest = max(Fraction(p.largest_dimension_mm) for p in order)
    for steps, size in ((bands.weight_steps, weight), (bands.dimension_steps, longest)):
        step = step_at(steps, size)
        if steps and step is None:
            return None
        if steps and not band.ships_free:
            cost += present(step).charge
    if bands.maximum_piece_count is not None and sum(p.quantity for p in order) > bands.maximum_piece_count:
        return None
    elements = {(p.part_code, p.colour_code) for p in order}
    if bands.maximum_element_count is not None and len(elements) > bands.maximum_element_count:
        return None
    return cost


purchases = st.builds(
    Purchase,
    part_code=st.sampled_from(["brick", "plate"]),
    colour_code=st.sampled_from(["teal", "olive"]),
    condition=st.just("new"),
    assortment_code=st.sampled_from(["", *ASSORTMENTS]),
    quantity=st.integers(1, 8),
    goods_value=st.none(),
    unit_price=st.one_of(
        st.integers(1, 12).map(lambda quarters: D(quarters) / 4), st.decimals("0.000001", 9, places=6)
    ),
    weight_grams=st.sampled_from([D("0.5"), D("1.25"), D(4)]),
    largest_dimension_mm=st.sampled_from([D(8), D(15), D(40)]),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(purchases, min_size=1, max_size=4), vendor_terms())
def test_bands_and_handling_cost_what_the_landed_cost_says(order: list[Purchase], terms: VendorTerms) -> None:
    landed_cost = work_out_order(order, terms)
    cost = cost_by_bands(order, compile_terms(terms))
    assert (cost is None) == bool(landed_cost.broken_rules)
    assert cost is None or cost == landed_cost.exact.total


@settings(max_examples=60, deadline=None)
@given(vendor_terms(), st.data())
def test_at_and_around_every_threshold(terms: VendorTerms, data: Any) -> None:
    """One piece of exactly the threshold's value, and one millionth less and more."""
    thresholds = {terms.minimum_order, terms.soft_minimum, terms.discount_from, terms.minimum_line_value}
    thresholds |= {terms.shipping_waived_from or D(0), *(h.waived_from or D(0) for h in terms.handling.values())}
    thresholds |= {end or D(0) for s in terms.shipping_steps for end in (s.from_value, s.to_value)}
    thresholds |= {round(D(float(Fraction(b.goods_from) / terms.rate)), 6) for b in terms.border}
    bands = compile_terms(terms)
    for threshold in sorted(thresholds):
        for price in (threshold - D("0.000001"), threshold, threshold + D("0.000001")):
            if price > 0:
                order = [
                    Purchase("brick", "teal", "new", data.draw(st.sampled_from(ASSORTMENTS)), 1, price, D(1), D(8))
                ]
                landed_cost, cost = work_out_order(order, terms), cost_by_bands(order, bands)
                assert (cost is None) == bool(landed_cost.broken_rules)
                assert cost is None or cost == landed_cost.exact.total


def test_bands_by_hand() -> None:
    terms = VendorTerms(
        "v1", shipping_charge=D(7), shipping_waived_from=D(50), minimum_order=D(10), soft_minimum=D(20),
        soft_minimum_charge=D(1), discount_from=D(30), discount_pct=D(10), order_fee=D("0.5"), order_fee_pct=D(2),
        tax_rate_pct=D(25), tax_on="goods_and_shipping", border=(BorderStep(D(40), D(4), D(3)),),
        handling={"tiles": Handling(D(2), D(5)), "free": Handling(D(0), None)},
    )  # fmt: skip
    bands = compile_terms(terms)
    ten_off = Fraction("0.9") * Fraction(5, 4) + Fraction("0.025")
    assert bands.bands == (
        Band(Fraction(10), Fraction(20), Fraction("10.625"), Fraction("1.275")),
        Band(Fraction(20), Fraction(30), Fraction("9.375"), Fraction("1.275")),
        Band(Fraction(30), Fraction(40), Fraction("9.375"), ten_off),
        Band(Fraction(40), Fraction(50), Fraction("12.375"), ten_off + Fraction("0.04")),
        Band(Fraction(50), None, Fraction("3.625"), ten_off + Fraction("0.04"), ships_free=True),
    )
    assert bands.handling == {"tiles": HandlingBand(Fraction("2.5"), Fraction(5))}
    assert not bands.is_rising


def test_plain_terms_are_one_band() -> None:
    bands = compile_terms(VendorTerms("v1", shipping_charge=D(7), tax_rate_pct=D(7), rate=Fraction(2)))
    assert bands.bands == (Band(Fraction(0), None, Fraction(14), Fraction("2.14")),)
    assert bands.is_rising


def test_no_band_covers_what_no_step_ships() -> None:
    steps = (ShippingStep("goods_value", D(0), D(5), D(1)), ShippingStep("goods_value", D(8), D(9), D(2)))
    bands = compile_terms(VendorTerms("v1", shipping_steps=steps))
    assert [(band.start, band.end) for band in bands.bands] == [(0, 5), (8, 9)]
    assert bands.band_at(Fraction(6)) is None and bands.band_at(Fraction(9)) is None


def test_weights_below_the_first_step_ship_without_a_charge() -> None:
    bands = compile_terms(VendorTerms("v1", shipping_steps=(ShippingStep("weight_grams", D(100), None, D(3)),)))
    assert bands.weight_steps == (
        SizeStep(Fraction(0), Fraction(100), Fraction(0)),
        SizeStep(Fraction(100), None, Fraction(3)),
    )
