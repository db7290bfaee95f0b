"""The maker's shop, whole costs, costs by line and by copy, sensitivities: small markets worked out by hand, and sums that hold."""

import random
from dataclasses import replace
from datetime import date
from decimal import Decimal
from random import Random
from typing import Any

import polars as pl
import pytest

from pipelines.inputs import Model
from pipelines.insight.buying_tables import BUYING_CONTRACTS, buying_tables
from pipelines.planning.scenarios import plan_model
from pipelines.settings import Buyer, Discount, Instructions, Scenario
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
)  # fmt: skip

MAKER = [vendor("hall", vendor_kind="maker"), vendor("a"), vendor("b")]
PARCELS = [terms("hall", shipping_charge="4", shipping_waived_from="30"), terms("a", shipping_charge="3"), terms("b", shipping_charge="3")]  # fmt: skip


def tables(
    model: Model,
    market: pl.DataFrame,
    vendor_terms: list[Any] = PARCELS,
    vendors: list[Any] = MAKER,
    buyer: Buyer = BUYER,
    last_seen: pl.DataFrame | None = None,
    **more: Any,
) -> dict[str, pl.DataFrame]:
    """The tables of one model and the cost of its plans."""
    inputs = make_inputs((model,), (buyer,), vendor_terms=vendor_terms, vendors=vendors, **more)
    refresh = inputs.settings.refresh.model_copy(update={"workers": 1, "copy_counts": [1, 2]})
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"refresh": refresh}))
    seen = market if last_seen is None else last_seen
    plans = plan_model(inputs, model, DAY, buyer, market, seen, make_summaries(), "standard").tables
    found = buying_tables(inputs, market, seen, make_summaries(), plans, DAY)
    for contract in BUYING_CONTRACTS:
        assert found[contract.name].schema == polars_schema(contract)
    return {**plans, **found}


def rows(found: dict[str, pl.DataFrame], name: str, *columns: str, **only: Any) -> list[tuple[Any, ...]]:
    frame = found[name].filter(*(pl.col(column) == value for column, value in only.items()))
    return frame.select(columns).rows()


MODEL = make_model([line(1, "brick", "red", 100), line(2, "plate", "grey", 10)], maker_lines=[2])
# Bricks are cheap with a, plates with the hall: 10 + 3 from a and 2 + 4 from the hall; all from a: 10 + 5 + 3 = 18.
MARKET = make_market(
    offer("a", "brick", "red", "0.10"), offer("hall", "brick", "red", "0.12"),
    offer("a", "plate", "grey", "0.50"), offer("hall", "plate", "grey", "0.20"),
)  # fmt: skip


def test_prices_here_and_there_and_where_the_mix_buys() -> None:
    found = tables(MODEL, MARKET)
    named = ("line_number", "maker_unit_price", "elsewhere_unit_price", "maker_saving", "maker_piece_count", "is_maker_line")  # fmt: skip
    # Everything at the hall: 12 + 2 + 4 = 18, all with a: 18, split: 10 + 3 + 2 + 4 = 19.
    (best,) = rows(found, "model_cost", "landed_cost", scenario_code="cheapest")
    assert best == (18,)
    choice = rows(found, "maker_choice", *named)
    assert [row[:4] + row[5:] for row in choice] == [
        (1, Decimal("0.12"), Decimal("0.1"), -2, False),
        (2, Decimal("0.2"), Decimal("0.5"), 3, True),
    ]


def test_prices_hold_the_tax_on_goods_and_several_offers_cover_a_need() -> None:
    taxed = [terms("hall", tax_rate_pct="20", tax_on="included"), terms("a", tax_rate_pct="25"), terms("b")]
    market = make_market(
        offer("hall", "brick", "red", "0.12"),
        offer("a", "brick", "red", "0.08", 50), offer("b", "brick", "red", "0.16", 50),
    )  # fmt: skip
    model = make_model([line(1, "brick", "red", 100)])
    (row,) = rows(tables(model, market, taxed), "maker_choice", "maker_unit_price", "elsewhere_unit_price")
    assert row == (Decimal("0.12"), Decimal("0.13"))  # 50 at 0.10 with tax and 50 at 0.16
    short = make_market(offer("hall", "brick", "red", "0.12"), offer("a", "brick", "red", "0.08", 99))
    (row,) = rows(tables(model, short, taxed), "maker_choice", "elsewhere_unit_price", "maker_saving")
    assert row == (None, None)


def test_thresholds_are_money_left_to_go() -> None:
    asks = [
        terms(
            "hall", shipping_charge="1", shipping_waived_from="12.50", minimum_order="2", soft_minimum="5",
            soft_minimum_charge="0.50", discount_from="100", discount_pct="5",
        ),
        terms("a", shipping_charge="90"), terms("b"),
    ]  # fmt: skip
    ranges = [{"vendor_code": "hall", "assortment_code": "deep", "handling_charge": "2", "handling_waived_from": "20"}]
    market = make_market(offer("hall", "brick", "red", "0.12", assortment_code="deep"))
    found = tables(make_model([line(1, "brick", "red", 100)]), market, asks, handling_charges=ranges)
    named = ("threshold_kind", "assortment_code", "threshold_value", "spent_value", "left_to_go", "threshold_charge")
    spent = rows(found, "plan_vendor", "vendor_total", scenario_code="cheapest")
    assert len(spent) == 1
    reported = {row[:2]: row[2:] for row in rows(found, "maker_threshold", *named)}
    # 100 bricks come to 12; 5 more would reach the waiver of 1.00 for 0.60, and the plan knows it.
    goods = reported["minimum_order", ""][1]
    assert goods in (Decimal("12.00"), Decimal("12.60"))
    assert reported == {
        ("minimum_order", ""): (2, goods, 0, None),
        ("soft_minimum", ""): (5, goods, 0, Decimal("0.5")),
        ("shipping_waiver", ""): (Decimal("12.5"), goods, max(Decimal("12.5") - goods, 0), 1),
        ("discount", ""): (100, goods, 100 - goods, None),
        ("handling_waiver", "deep"): (20, goods, 20 - goods, 2),
    }


def test_what_five_more_at_the_maker_change() -> None:
    """Nothing is bought there; five more bring its parcel and dearer bricks: 42 at 0.12 instead of 0.10."""
    market = make_market(offer("a", "brick", "red", "0.10"), offer("hall", "brick", "red", "0.12"))
    found = tables(make_model([line(1, "brick", "red", 100)]), market)
    named = ("maker_goods_value", "further_spend", "landed_cost", "further_landed_cost", "further_cost_change")
    ((spent, more, now, then, change),) = rows(found, "maker_further", *named)
    # All at the hall: 12 + 4 = 16 beats two parcels: 5.80 + 3 + 5.04 + 4.
    assert (spent, more, now, then, change) == (0, 5, 13, 16, 3)


def test_a_maker_with_too_little_to_sell_says_so() -> None:
    market = make_market(offer("a", "brick", "red", "0.10"), offer("hall", "brick", "red", "0.12", 9))
    found = tables(make_model([line(1, "brick", "red", 100)]), market)
    assert rows(found, "maker_further", "further_landed_cost", "further_cost_change") == [(None, None)]


def test_without_a_maker_its_tables_are_empty() -> None:
    found = tables(MODEL, MARKET, [terms("a"), terms("b")], [vendor("a"), vendor("b")])
    assert all(found[name].is_empty() for name in ("maker_choice", "maker_threshold", "maker_further"))


# Whole costs


def test_instructions_with_a_sale_and_a_code_on_top_in_exact_money() -> None:
    sale = Discount(pct=Decimal(15), from_on=date(2026, 11, 20), to_on=date(2026, 11, 30), reason="November sale")
    over = Discount(pct=Decimal(50), to_on=date(2026, 11, 24), reason="over")
    code = Discount(pct=Decimal("7.5"), reason="readers' code")
    instructions = Instructions(price=Decimal("24.99"), currency_code="EUR", discounts=[sale, over, code])
    found = tables(make_model([line(1, "brick", "red", 100)], instructions=instructions), MARKET)
    # 24.99, 21.2415, 19.6483875
    assert rows(found, "instructions_step", "step_number", "discount_reason", "instructions_price") == [
        (0, "", Decimal("24.99")), (1, "November sale", Decimal("21.24")), (2, "readers' code", Decimal("19.65")),
    ]  # fmt: skip
    named = ("instructions_list_price", "instructions_discount", "instructions_cost", "complete_cost", "whole_cost")
    (row,) = rows(found, "whole_cost", *named, scenario_code="cheapest")
    assert row == (Decimal("24.99"), Decimal("5.34"), Decimal("19.65"), 13, Decimal("32.65"))


def test_costs_per_piece_amendments_and_what_is_on_hand() -> None:
    stock = [{"part_code": "brick", "colour_code": "red", "quantity_on_hand": 25}]
    added = [{"line_number": 90, "amendment_action": "add", "part_code": "brick", "colour_code": "red", "quantity": 20, "colour_rule": "as_listed"}]  # fmt: skip
    market = make_market(offer("a", "brick", "red", "0.10", 200))
    model = make_model([line(1, "brick", "red", 80)], amendments=added)
    found = tables(model, market, stock_on_hand=stock)
    named = ("goods", "amendment_goods", "complete_cost", "cost_per_piece", "cost_per_100_pieces", "owned_piece_count", "owned_goods", "instructions_cost")  # fmt: skip
    (row,) = rows(found, "whole_cost", *named, scenario_code="cheapest")
    assert row == (10, 2, 13, Decimal("0.13"), 13, 25, Decimal("2.5"), None)


def test_an_amendment_that_is_all_on_hand_costs_nothing() -> None:
    added = [{"line_number": 90, "amendment_action": "add", "part_code": "plate", "colour_code": "grey", "quantity": 2, "colour_rule": "as_listed"}]  # fmt: skip
    model = make_model([line(1, "brick", "red", 80)], amendments=added)
    stock = [{"part_code": "plate", "colour_code": "grey", "quantity_on_hand": 2}]
    scenario = Scenario(scenario_code="bin", title="x", use_stock_on_hand=True)
    found = tables(
        model, make_market(offer("a", "brick", "red", "0.10", 200)), stock_on_hand=stock, scenarios=(scenario,)
    )
    named = ("goods", "amendment_goods", "complete_cost", "owned_piece_count", "owned_goods")
    assert rows(found, "whole_cost", *named, scenario_code="bin") == [(8, 0, 11, 2, 0)]


def test_lines_carry_their_goods_and_their_part_of_the_charges() -> None:
    market = make_market(offer("a", "brick", "red", "0.10"), offer("a", "plate", "grey", "1"))
    model = make_model([line(1, "brick", "red", 50), line(2, "plate", "grey", 10), line(3, "wheel", "blue", 4)])
    seen = make_market(*market.to_dicts(), offer("b", "wheel", "blue", "0.25"))
    found = tables(model, market, last_seen=seen)
    named = ("line_number", "line_goods", "line_cost", "cost_rank")
    # 5 and 10 of goods share a parcel of 3; the wheels are estimated at 1.
    assert rows(found, "line_cost", *named) == [(1, 5, 6, 2), (2, 10, 12, 1), (3, 0, 1, 3)]
    assert rows(found, "model_cost", "complete_cost", scenario_code="cheapest") == [(19,)]


def test_what_a_change_of_a_dear_line_would_save() -> None:
    market = make_market(
        offer("a", "brick", "red", "0.30"), offer("a", "brick", "blue", "0.10"), offer("a", "brick", "grey", "0.20"),
        offer("a", "beam", "grey", "0.50"), offer("a", "thin", "grey", "0.05"), offer("a", "beam", "blue", "0.60"),
    )  # fmt: skip
    weaker = [
        {"part_code": "beam", "substitute_part_code": "thin", "substitute_kind": "other_form", "strength": "weaker"}
    ]
    model = make_model([line(1, "brick", "red", 10), line(2, "beam", "grey", 4)])
    found = tables(model, market, substitutes=weaker)
    named = ("line_number", "other_colour_code", "other_colour_saving", "other_form_saving", "left_out_saving")
    assert rows(found, "line_cost", *named) == [
        (1, "blue", 2, None, 3),
        (2, "", None, Decimal("1.8"), 2),
    ]


def test_leaving_a_line_out_may_free_a_whole_parcel() -> None:
    market = make_market(offer("a", "brick", "red", "0.30"), offer("b", "beam", "grey", "0.50"))
    model = make_model([line(1, "brick", "red", 10), line(2, "beam", "grey", 4)])
    assert rows(tables(model, market), "line_cost", "left_out_saving") == [(6,), (5,)]


def test_copies_share_parcels_and_run_out_of_cheap_stock() -> None:
    market = make_market(
        offer("a", "brick", "red", "0.10", 150), offer("a", "brick", "red", "0.40", 500, listing_code="dear")
    )
    found = tables(make_model([line(1, "brick", "red", 100)]), market)
    named = ("copies", "complete_cost", "cost_per_copy", "unfilled_piece_count")
    # Two: 150 at 0.10 and 50 at 0.40, one parcel.
    assert rows(found, "copy_cost", *named) == [(1, 13, 13, 0), (2, 38, 19, 0)]


# Assumptions


def sensitivities(found: dict[str, pl.DataFrame]) -> dict[tuple[str, str], Decimal]:
    return {
        row[:2]: row[2] for row in rows(found, "sensitivity", "assumption", "sensitivity_side", "sensitivity_amount")
    }


def test_sensitivities_are_what_one_change_alone_does() -> None:
    model = make_model([line(1, "brick", "red", 100)], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("a", "brick", "blue", "0.06"),
        offer("a", "brick", "blue", "0.03", condition="used"),
    )  # fmt: skip
    found = tables(model, market, [terms("a", shipping_charge="4", tax_rate_pct="20"), terms("b"), terms("hall")])
    # Blue: 6 + 1.20 tax + 4.
    assert rows(found, "model_cost", "complete_cost", scenario_code="cheapest") == [(Decimal("11.2"),)]
    assert sensitivities(found) == {
        ("prices", "down"): Decimal("-0.72"), ("prices", "up"): Decimal("0.72"),
        ("shipping", "down"): -1, ("shipping", "up"): 1,
        ("tax", "down"): Decimal("-0.3"), ("tax", "up"): Decimal("0.3"),
        ("condition", "down"): Decimal("-3.6"), ("flexible_lines", "up"): Decimal("4.8"),
    }  # fmt: skip


def test_tax_inside_prices_moves_what_is_paid() -> None:
    found = tables(make_model([line(1, "brick", "red", 100)]), make_market(offer("a", "brick", "red", "0.12")), [terms("a", tax_rate_pct="20", tax_on="included"), terms("b"), terms("hall")])  # fmt: skip
    assert sensitivities(found)["tax", "up"] == Decimal("0.5")  # net 10 at 25 %


def test_one_parcel_fewer_and_no_maker() -> None:
    found = tables(
        make_model([line(1, "brick", "red", 100), line(2, "plate", "grey", 50)]),
        make_market(
            offer("a", "brick", "red", "0.10"), offer("hall", "brick", "red", "0.20"),
            offer("a", "plate", "grey", "0.90"), offer("hall", "plate", "grey", "0.20"),
        ),
    )  # fmt: skip
    # a and hall: 10 + 3 + 10 + 4 = 27; the hall alone: 20 + 10, shipping free; a alone: 10 + 45 + 3.
    assert rows(found, "model_cost", "complete_cost", scenario_code="cheapest") == [(27,)]
    reported = sensitivities(found)
    assert (reported["vendor_count", "up"], reported["maker", "up"]) == (3, 31)


def random_case(chance: Random) -> tuple[Model, pl.DataFrame, list[dict[str, str | None]]]:
    parts, colours = ["brick", "plate", "slope"], ["red", "blue"]
    lines = [line(at, chance.choice(parts), chance.choice(colours), chance.randint(1, 9)) for at in range(1, 5)]
    rules = [flexibility(row["line_number"], "any") for row in lines if chance.random() < 0.4]
    offers = [
        offer(code, part, colour, f"0.{chance.randint(5, 60):02d}", chance.randint(4, 25),
              sold_in_multiples_of=chance.choice((1, 1, 4)))
        for code in ("hall", "a", "b") for part in parts for colour in colours if chance.random() < 0.7
    ]  # fmt: skip
    vendor_terms = [
        terms(code, shipping_charge=str(chance.choice((0, 2, 4))), minimum_order=str(chance.choice((0, 1))),
              tax_rate_pct=str(chance.choice((0, 21))), shipping_waived_from=chance.choice((None, "3")))
        for code in ("hall", "a", "b")
    ]  # fmt: skip
    return make_model(lines, rules), make_market(*offers), vendor_terms


@pytest.mark.parametrize("seed", range(examples(2, 200)))
def test_sums_hold_on_any_market(seed: int) -> None:
    model, market, vendor_terms = random_case(random.Random(seed))
    found = tables(model, market, vendor_terms)
    (plan,) = rows(found, "model_cost", "goods", "complete_cost", "unfilled_piece_count", scenario_code="cheapest")
    goods, complete, unfilled = plan
    if found["line_cost"].height:
        assert found["line_cost"].select(pl.col("line_goods", "line_cost").sum()).row(0) == (goods, complete)
        assert found["line_cost"]["cost_rank"].sort().to_list() == list(range(1, found["line_cost"].height + 1))
    assert (found["maker_threshold"]["left_to_go"] >= 0).all()
    for row in found["sensitivity"].filter(pl.col("sensitivity_amount").is_not_null()).to_dicts():
        assert row["sensitivity_low"] <= row["sensitivity_amount"] <= row["sensitivity_high"]
        if row["unfilled_piece_count"] == unfilled:
            assert row["complete_cost"] - row["sensitivity_amount"] <= complete + Decimal("0.05")  # rounded by vendor
        # Forbidding something never makes a plan cheaper, allowing something never dearer.
        if row["assumption"] in ("flexible_lines", "maker", "vendor_count"):
            assert row["sensitivity_amount"] >= Decimal("-0.05")
        if row["assumption"] == "condition":
            assert row["sensitivity_amount"] <= Decimal("0.05")
    copies = dict(rows(found, "copy_cost", "copies", "complete_cost"))
    assert copies.get(1, complete) == complete


def test_a_plan_at_a_minimum_is_topped_up_when_prices_fall() -> None:
    """Ten bricks of 0.50 just reach the minimum of 5; at 0.45 they do not, and two spare ones make up for it."""
    asks = [terms("a", minimum_order="5", minimum_line_value="0.40"), terms("b"), terms("hall")]
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "plate", "grey", "0.40"))
    model = make_model([line(1, "brick", "red", 9), line(2, "plate", "grey", 1), line(3, "plate", "grey", 1)])
    found = tables(model, market, asks)
    assert rows(found, "model_cost", "complete_cost", scenario_code="cheapest") == [(Decimal("5.3"),)]
    # 9 bricks of 0.45 and two plates of 0.36 come to 4.77: one more plate is the least that reaches 5.
    assert sensitivities(found)["prices", "down"] == Decimal("5.13") - Decimal("5.3")


def test_where_nothing_is_on_offer_everything_is_reported_as_missing() -> None:
    nothing = make_market(offer("a", "wheel", "black", "1"))
    seen = make_market(offer("b", "brick", "red", "0.25"))
    found = tables(make_model([line(1, "brick", "red", 10), line(2, "plate", "grey", 3)]), nothing, last_seen=seen)
    assert rows(found, "whole_cost", "complete_cost", "cost_per_100_pieces", scenario_code="cheapest") == [
        (Decimal("2.5"), Decimal("19.23"))
    ]
    assert rows(found, "line_cost", "line_number", "line_cost") == [(1, Decimal("2.5")), (2, 0)]
    named = ("copies", "complete_cost", "unfilled_piece_count", "unfilled_estimate_count")
    assert rows(found, "copy_cost", *named) == [(1, Decimal("2.5"), 13, 3), (2, 5, 26, 6)]
    assert found["maker_choice"].is_empty()
