"""What-if where the maker's shop is asked first: both sides follow the rule, as a refresh does."""

from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.insight.replanning.changed_assumptions import ChangedAssumptions
from pipelines.insight.replanning.offers import Offers
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.insight.replanning.starting_plans import start_from_orders
from pipelines.insight.what_if.answers import PricesOnDate, Question, answer_what_if
from pipelines.planning.scenarios import plan_model
from tests.builders.markets import (
    BUYER,
    DAY,
    line,
    make_inputs,
    make_market,
    make_model,
    make_summaries,
    offer,
    terms,
    vendor,
)

VENDORS = [vendor("hall", vendor_kind="maker"), vendor("a"), vendor("b")]
TERMS = [terms("hall", shipping_charge="4"), terms("a", shipping_charge="3"), terms("b", shipping_charge="6")]
MODEL = make_model([line(1, "brick", "red", 100), line(2, "plate", "grey", 10)], maker_lines=[2])
# The maker's shop has 40 bricks of 0.20 and all plates of 0.30; a has bricks of 0.10 and plates of 0.50; b plates of 0.10.
MARKET = make_market(
    offer("hall", "brick", "red", price="0.20", quantity=40),
    offer("hall", "plate", "grey", price="0.30"),
    offer("a", "brick", "red", price="0.10"),
    offer("a", "plate", "grey", price="0.50"),
    offer("b", "plate", "grey", price="0.10"),
)


def asked(scenario_code: Any, changes: Any) -> Any:
    inputs = make_inputs((MODEL,), (BUYER,), vendor_terms=TERMS, vendors=VENDORS)
    scenario = next(each for each in inputs.settings.scenarios if each.scenario_code == scenario_code)
    question = Question(MODEL, BUYER, scenario, DAY, "standard", {}, changes)
    answer = answer_what_if(inputs, question, {DAY: PricesOnDate(MARKET, MARKET, make_summaries())})
    plans = plan_model(inputs, MODEL, DAY, BUYER, MARKET, MARKET, make_summaries(), "standard").tables["model_cost"]
    published = dict(plans.select("scenario_code", "complete_cost").iter_rows())
    assert answer.as_it_is.complete_cost == published[scenario_code]
    return answer


@pytest.mark.parametrize(
    ("scenario", "changes", "before", "after"),
    [
        # 40 bricks and 10 plates at the maker's shop: 8 + 3 + 4 of shipping; 60 bricks from a: 6 + 3.
        ("maker_first", ChangedAssumptions(shipping_pct=Decimal(100)), "24.00", "31.00"),
        # Its 10 plates alone, 3 + 4; 100 bricks from a: 10 + 3.
        ("maker_marked", ChangedAssumptions(shipping_pct=Decimal(100)), "20.00", "27.00"),
        ("maker_marked", ChangedAssumptions(price_pct=Decimal(10)), "20.00", "21.30"),
        # Without the maker's shop: all from a, 10 + 5 + 3. A rule taken away can make it cheaper.
        ("maker_first", ChangedAssumptions(without_maker=True), "24.00", "18.00"),
        ("maker_first", ChangedAssumptions(without_vendors=("hall",)), "24.00", "18.00"),
        # Without a the maker's 40 bricks are all there are, and 60 are missing, estimated at what they cost last.
        ("maker_first", ChangedAssumptions(without_vendors=("a",)), "24.00", None),
        ("maker_first", ChangedAssumptions(maximum_vendor_count=1), "24.00", None),
    ],
)
def test_the_maker_is_asked_first_on_both_sides(scenario: str, changes: Any, before: str, after: str | None) -> None:
    answer = asked(scenario, changes)
    assert answer.as_it_is.complete_cost == Decimal(before)
    if after is None:
        assert answer.changed.vendors.keys() == {"hall"} and answer.changed.unfilled_piece_count == 60
    else:
        assert (answer.changed.complete_cost, answer.changed.unfilled_piece_count) == (Decimal(after), 0)
        assert answer.difference.amount == Decimal(after) - Decimal(before)


def test_what_the_maker_has_nothing_of_is_reported() -> None:
    answer = asked("maker_first", ChangedAssumptions(without_vendors=("hall",)))
    assert answer.as_it_is.notes == ()
    assert any("the maker's shop has nothing" in note for note in answer.changed.notes)


@pytest.mark.parametrize("pieces", [100, 30])
@pytest.mark.parametrize("penalty", [Decimal(0), Decimal(2)])
def test_a_start_is_ranked_as_its_plan_is(pieces: int, penalty: Decimal) -> None:
    """Orders for 100 bricks, taken over as they are and for fewer bricks; grey plates are sold by the dozen, so two are spare."""
    inputs = make_inputs((MODEL,), (BUYER,), vendor_terms=TERMS, vendors=VENDORS)
    scenario = next(each for each in inputs.settings.scenarios if each.scenario_code == "cheapest")
    scenario = scenario.model_copy(update={"parcel_penalty": penalty})
    market = MARKET.with_columns(
        sold_in_multiples_of=pl.when(pl.col("part_code") == "plate").then(12).otherwise(1).cast(pl.Int64)
    )
    orders = SharedMarket(inputs, [MODEL], DAY, BUYER, scenario, market, False).together([0], [], "quick")
    fewer = make_model([line(1, "brick", "red", pieces), line(2, "plate", "grey", 10)])
    shared = SharedMarket(inputs, [fewer], DAY, BUYER, scenario, market, False)
    found = shared.candidates([0])
    start = start_from_orders(orders, found, Offers(found), shared.pricing)
    assert start is not None
    plan = start.plan(found)
    assert (start.rank, start.cost) == (plan.rank, plan.cost)
    assert plan.spare_count >= 2 and plan.rank[0] == 0
