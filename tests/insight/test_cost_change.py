"""What a change in complete cost comes from: one cause at a time, and all at once."""

from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.inputs import Model
from pipelines.insight.over_time.cost_change import PARTS, cost_changes
from pipelines.money import Interval, cost_interval
from pipelines.planning.scenarios import plan_model
from pipelines.settings import ListVersion
from schemas.published.over_time import COST_CHANGE
from schemas.validate import polars_schema
from tests.builders.length import examples
from tests.builders.markets import (
    BUYER,
    DAY,
    flexibility,
    line,
    make_inputs,
    make_market,
    make_model,
    make_summaries,
    offer,
    terms,
    vendor,
)

THEN = date(2026, 10, 31)
PLAN_TABLES = ("model_cost", "plan_purchase", "plan_line", "unfilled_line")
LINES = [line(1, "brick", "red", 10), line(2, "plate", "grey", 10)]
BRICK, PLATE = offer("a", "brick", "red", "0.10"), offer("b", "plate", "grey", "0.20")


def changes(
    then: Any,
    now: list[Any],
    model: Model | None = None,
    scenario: str = "flexible",
    effort: str = "quick",
    **tables: Any,
) -> tuple[dict[str, Decimal], bool]:
    """The parts of the change between two markets, those that are not 0; and whether it is a break."""
    model = model or make_model(LINES)
    inputs = make_inputs((model,), (BUYER,), **tables)
    markets = {THEN: make_market(*then), DAY: make_market(*now)}
    planned = [
        plan_model(inputs, model, day, BUYER, market, market, make_summaries(), effort).tables
        for day, market in markets.items()
    ]
    plans = {name: pl.concat([tables[name] for tables in planned]) for name in PLAN_TABLES}
    found = cost_changes(inputs, markets, plans)
    assert found.schema == polars_schema(COST_CHANGE)
    assert set(found["change_part"]) <= set(PARTS)
    costs = plans["model_cost"].sort("scenario_code")
    for code in costs["scenario_code"].unique():
        of = [costs.filter(pl.col("priced_on") == day, pl.col("scenario_code") == code) for day in (THEN, DAY)]
        total = found.filter(pl.col("scenario_code") == code)["cost_change"].sum()
        assert total == of[1]["complete_cost"].item() - of[0]["complete_cost"].item(), code
        costs_of = [cost_interval(frame.row(0, named=True)) for frame in of]
        own = found.filter(pl.col("scenario_code") == code)
        ends = [sum(own[name].to_list(), Decimal(0)) for name in ("cost_change_low", "cost_change_high")]
        assert Interval(ends[0], ends[1]) == costs_of[1] - costs_of[0], code
    own = found.filter(pl.col("scenario_code") == scenario)
    parts = {part: amount for part, amount in own.select("change_part", "cost_change").iter_rows() if amount}
    return parts, own["is_break"].any()


def euros(**parts: Any) -> dict[str, Decimal]:
    return {name: Decimal(amount) for name, amount in parts.items()}


def test_nothing_changed() -> None:
    assert changes([BRICK, PLATE], [BRICK, PLATE]) == ({}, False)


def test_prices() -> None:
    dearer = offer("a", "brick", "red", "0.15")
    assert changes([BRICK, PLATE], [dearer, PLATE]) == (euros(prices="0.50"), False)


def test_prices_of_a_step_that_the_order_no_longer_reaches() -> None:
    steps = [offer("a", "brick", "red", "0.10"), offer("a", "brick", "red", "0.08", step_from_quantity=10)]
    later = [offer("a", "brick", "red", "0.10"), offer("a", "brick", "red", "0.08", step_from_quantity=20)]
    assert changes([*steps, PLATE], [*later, PLATE]) == (euros(prices="0.20"), False)


def test_terms() -> None:
    dearer = [terms("a"), terms("a", valid_from_on="2026-11-10", shipping_charge="1"), terms("b"), terms("c")]
    assert changes([BRICK, PLATE], [BRICK, PLATE], vendor_terms=dearer) == (euros(terms="1"), False)


def test_exchange_rates() -> None:
    rates = [
        {"rate_on": day, "from_currency_code": "USD", "to_currency_code": "EUR", "exchange_rate": rate}
        for day, rate in (("2026-10-30", "0.8"), ("2026-11-24", "0.9"))
    ]
    vendors = [vendor("a", currency_code="USD"), vendor("b"), vendor("c")]
    abroad = offer("a", "brick", "red", "0.10", currency_code="USD")
    found = changes([abroad, PLATE], [abroad, PLATE], vendors=vendors, exchange_rates=rates)
    assert found == (euros(exchange_rates="0.10"), False)


def test_prices_come_before_rates_and_rates_before_terms() -> None:
    """From 10 x 0.10 x 0.8 = 0.80: dearer by 10 x 0.10 x 0.8, then by 2.00 x 0.1, then by a parcel of 1.00 x 0.9."""
    rates = [
        {"rate_on": day, "from_currency_code": "USD", "to_currency_code": "EUR", "exchange_rate": rate}
        for day, rate in (("2026-10-30", "0.8"), ("2026-11-24", "0.9"))
    ]
    vendors = [vendor("a", currency_code="USD"), vendor("b"), vendor("c")]
    dearer = [terms("a"), terms("a", valid_from_on="2026-11-10", shipping_charge="1"), terms("b"), terms("c")]
    then, now = (offer("a", "brick", "red", price, currency_code="USD") for price in ("0.10", "0.20"))
    found = changes([then, PLATE], [now, PLATE], vendors=vendors, exchange_rates=rates, vendor_terms=dearer)
    assert found == (euros(prices="0.80", exchange_rates="0.20", terms="0.90"), False)


def test_the_designers_revision_is_a_break() -> None:
    versions = [
        ListVersion(list_version=n, released_on=day) for n, day in ((1, date(2026, 1, 1)), (2, date(2026, 11, 5)))
    ]
    revised = [line(1, "brick", "red", 16, list_version=2), line(2, "plate", "grey", 10, list_version=2)]
    model = make_model([*LINES, *revised], versions=versions)
    assert changes([BRICK, PLATE], [BRICK, PLATE], model) == (euros(list="0.60"), True)


def test_our_decisions_are_a_break_where_flexible_lines_count() -> None:
    model = make_model(LINES, [flexibility(1, "one_of", accept_colour_codes="blue", decided_on="2026-11-05")])
    market = [BRICK, PLATE, offer("a", "brick", "blue", "0.04")]
    assert changes(market, market, model) == (euros(decisions="-0.60"), True)
    assert changes(market, market, model, scenario="listed") == ({}, False)


def test_an_offer_that_ended_forces_a_dearer_one() -> None:
    other = offer("c", "brick", "red", "0.25")
    assert changes([BRICK, PLATE, other], [PLATE, other]) == (euros(choice="1.50"), False)


@pytest.mark.parametrize(
    "now", [offer("a", "brick", "red", "0.10", 9), offer("a", "brick", "red", "0.10", is_suspect=True)]
)
def test_an_offer_that_no_longer_has_all_the_pieces_or_is_suspect_ended(now: dict[str, Any]) -> None:
    other = offer("c", "brick", "red", "0.25")
    parts, _ = changes([BRICK, PLATE, other], [now, PLATE, other])
    assert set(parts) == {"choice"} and parts["choice"] > 0


def test_a_cheaper_vendor() -> None:
    cheaper = offer("c", "brick", "red", "0.06")
    assert changes([BRICK, PLATE], [BRICK, PLATE, cheaper]) == (euros(choice="-0.40"), False)


def test_a_cheaper_colour_and_a_cheaper_form() -> None:
    model = make_model(LINES, [flexibility(1, "any")])
    blue = offer("a", "brick", "blue", "0.05")
    assert changes([BRICK, PLATE], [BRICK, PLATE, blue], model) == (euros(choice="-0.50"), False)
    stands_in = [{"part_code": "brick", "substitute_part_code": "block"}]
    block = offer("a", "block", "red", "0.03")
    assert changes([BRICK, PLATE], [BRICK, PLATE, block], substitutes=stands_in) == (euros(choice="-0.70"), False)


def test_fewer_parcels_are_a_choice() -> None:
    """c sells both a little dearer, and one parcel is saved: 0.50 + 0.50 more for goods, 3 less for shipping."""
    charges = [terms("a", shipping_charge="3"), terms("b", shipping_charge="3"), terms("c", shipping_charge="3")]
    both = [offer("c", "brick", "red", "0.15"), offer("c", "plate", "grey", "0.25")]
    found = changes([BRICK, PLATE], [BRICK, PLATE, *both], vendor_terms=charges)
    assert found == (euros(choice="-2.00"), False)


def test_pieces_that_could_not_be_bought_are_estimates() -> None:
    """Two of ten bricks are missing now; their estimate is what bricks cost, so nothing changes in sum."""
    few = offer("a", "brick", "red", "0.10", 8)
    parts, is_break = changes([BRICK, PLATE], [few, PLATE])
    assert not is_break and set(parts) <= {"estimates"}


def test_nothing_can_be_bought_on_one_of_the_dates() -> None:
    parts, _ = changes([BRICK, PLATE], [offer("a", "tile", "red", "0.10")])
    assert set(parts) <= {"estimates", "choice"}
    parts, _ = changes([offer("a", "tile", "red", "0.10")], [BRICK, PLATE])
    assert set(parts) == {"estimates"}


def test_a_refused_plan_and_a_single_date_say_nothing() -> None:
    model = make_model(LINES)
    inputs = make_inputs((model,), (BUYER,))
    market = make_market(BRICK, PLATE)
    plans = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "quick").tables
    assert cost_changes(inputs, {DAY: market}, plans).is_empty()
    earlier = plan_model(inputs, model, THEN, BUYER, market, market, make_summaries(), "quick").tables
    both = {name: pl.concat([earlier[name], plans[name]]) for name in PLAN_TABLES}
    refused = {**both, "model_cost": both["model_cost"].with_columns(plan_status=pl.lit("refused"))}
    assert cost_changes(inputs, {THEN: market, DAY: market}, refused).is_empty()
    assert cost_changes(inputs, {THEN: market, DAY: market}, both).height


PRICES = st.integers(1, 60).map(lambda cents: f"{cents / 100:.3f}")
OFFERS = st.dictionaries(
    st.tuples(
        st.sampled_from("abc"), st.sampled_from(["brick", "plate", "block"]), st.sampled_from(["red", "grey", "blue"])
    ),
    st.tuples(PRICES, st.integers(1, 30)),
    min_size=2,
    max_size=9,
)


@settings(max_examples=examples(6, 60), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(OFFERS, OFFERS, st.booleans())
def test_parts_add_up_whatever_happens(
    then: dict[tuple[str, ...], tuple[str, int]], now: dict[tuple[str, ...], tuple[str, int]], is_revised: bool
) -> None:
    """``changes`` itself compares the sums of every scenario with the costs, to the last digit."""
    versions = [ListVersion(list_version=1, released_on=date(2026, 1, 1))]
    lines = list(LINES)
    if is_revised:
        versions.append(ListVersion(list_version=2, released_on=date(2026, 11, 5)))
        lines += [line(1, "brick", "red", 7, list_version=2), line(3, "block", "blue", 2, list_version=2)]
    model = make_model(
        lines, [flexibility(1, "any"), flexibility(2, "any", decided_on="2026-11-03")], versions=versions
    )
    charges = [
        terms("a", shipping_charge="0.45", tax_rate_pct="21"),
        terms("b", shipping_charge="1", shipping_waived_from="2"),
        terms("b", valid_from_on="2026-11-02", shipping_charge="1.10", tax_rate_pct="6", tax_on="included"),
        terms("c", discount_from="1", discount_pct="10"),
    ]
    before, after = (
        [offer(seller, part, colour, price, count) for (seller, part, colour), (price, count) in side.items()]
        for side in (then, now)
    )
    changes(
        before,
        after,
        model,
        vendor_terms=charges,
        substitutes=[{"part_code": "brick", "substitute_part_code": "block"}],
    )


SEVERAL = {"maximum_piece_count": "6", "maximum_order_count": "2"}
"""Ten bricks from a take two orders."""


def test_terms_count_for_each_of_several_orders() -> None:
    dearer = [terms("a", **SEVERAL), terms("a", valid_from_on="2026-11-10", shipping_charge="1", **SEVERAL)]
    others = [terms("b"), terms("c")]
    assert changes([BRICK, PLATE], [BRICK, PLATE], vendor_terms=[*dearer, *others]) == (euros(terms="2"), False)


def test_prices_of_several_orders_are_of_one_offer() -> None:
    vendor_terms = [terms("a", **SEVERAL), terms("b"), terms("c")]
    dearer = offer("a", "brick", "red", "0.15")
    assert changes([BRICK, PLATE], [dearer, PLATE], vendor_terms=vendor_terms) == (euros(prices="0.50"), False)


def test_several_orders_need_the_stock_of_all_of_them() -> None:
    """Nine are left: one brick comes from b, and the offer counts as ended for both orders."""
    vendor_terms = [terms("a", **SEVERAL), terms("b"), terms("c")]
    fewer = [offer("a", "brick", "red", "0.20", 9), offer("b", "brick", "red", "0.50"), PLATE]
    parts, _ = changes([BRICK, PLATE], fewer, vendor_terms=vendor_terms)
    assert parts == euros(choice="1.30")  # 9 x 0.20 and 0.50 instead of 10 x 0.10
