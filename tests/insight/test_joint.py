"""Several models bought together: never dearer than one after the other, shares that add up, stock and spares used first."""

import random
from dataclasses import replace
from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.insight.buying_tables import buying_tables
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.insight.together import joint_orders
from pipelines.settings import JointOrder
from schemas.all_tables import JOINT_CONTRACTS
from schemas.published.plans import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, PLAN_VENDOR, UNFILLED_LINE
from schemas.validate import empty_frame, polars_schema
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
)  # fmt: skip

PLAN_CONTRACTS = (MODEL_COST, PLAN_VENDOR, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE)
NO_PLANS = {contract.name: empty_frame(contract) for contract in PLAN_CONTRACTS}
PARCELS = [terms("a", shipping_charge="5"), terms("b", shipping_charge="3"), terms("c", shipping_charge="2")]


def bought(
    models: Any, market: Any, vendor_terms: Any = PARCELS, plans: Any = NO_PLANS, last_seen: Any = None, **more: Any
) -> Any:
    """The tables of one joint order of all the models."""
    tables = {name: more.pop(name) for name in ("stock_on_hand", "border_charges", "vendors") if name in more}
    inputs = make_inputs(tuple(models), (BUYER,), vendor_terms=vendor_terms, **tables)
    order = JointOrder(
        joint_order_code="all", title="All", model_codes=[m.model_code for m in models], buyer_code="home", **more
    )
    settings = inputs.settings.model_copy(
        update={
            "joint_order": [order],
            "refresh": inputs.settings.refresh.model_copy(update={"workers": 1}),
        }
    )
    seen = market if last_seen is None else last_seen
    found = buying_tables(replace(inputs, settings=settings), market, seen, make_summaries(), plans, DAY)
    for contract in JOINT_CONTRACTS:
        assert found[contract.name].schema == polars_schema(contract)
    return found


def model(code: Any, *lines: Any, flexible_lines: Any = None, **settings: Any) -> Any:
    return make_model(list(lines), flexible_lines, model_code=code, title=code.title(), **settings)


def shares(found: Any) -> Any:
    return dict(found["joint_share"].select("model_code", "joint_share").iter_rows())


def total(found: Any) -> Any:
    return found["joint_order"].row(0, named=True)


def test_one_parcel_instead_of_two() -> None:
    # Each alone: 10 pieces at 0.10 and a parcel of 5: 6. Together 20 pieces and one parcel: 7.
    market = make_market(offer("a", "brick", "red", "0.10"))
    found = bought([model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "brick", "red", 10))], market)
    row = total(found)
    reported = (
        row["separate_cost"],
        row["sequence_cost"],
        row["complete_cost"],
        row["joint_saving"],
        row["order_count"],
    )
    assert reported == (12, 12, 7, 5, 1)
    assert shares(found) == {"m1": Decimal("3.5"), "m2": Decimal("3.5")}
    assert found["joint_plan"].select("model_code", "quantity").rows() == [("m1", 10), ("m2", 10)]


def test_a_model_that_needs_nothing_more_pays_nothing() -> None:
    stock = [{"part_code": "plate", "colour_code": "grey", "quantity_on_hand": 4}]
    models = [model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "plate", "grey", 4))]
    found = bought(models, make_market(offer("a", "brick", "red", "0.10")), stock_on_hand=stock)
    assert shares(found) == {"m1": Decimal(6), "m2": Decimal(0)}
    counts = found["joint_share"].select("model_code", "used_piece_count", "on_hand_piece_count").rows()
    assert counts == [("m1", 10, 0), ("m2", 0, 4)]


def test_stock_on_hand_may_be_left_alone() -> None:
    stock = [{"part_code": "brick", "colour_code": "red", "quantity_on_hand": 20}]
    models = [model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "brick", "red", 10))]
    market = make_market(offer("a", "brick", "red", "0.10"))
    assert total(bought(models, market, stock_on_hand=stock))["complete_cost"] == 0
    assert total(bought(models, market, stock_on_hand=stock, use_stock_on_hand=False))["complete_cost"] == 7


def test_stock_is_counted_once() -> None:
    """Ten cheap pieces serve either model: the separate plans both count on them, so together costs more than they do."""
    market = make_market(
        offer("a", "brick", "red", "0.10", 10), offer("a", "brick", "red", "1", 10, listing_code="dear")
    )
    models = [model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "brick", "red", 10))]
    row = total(bought(models, market, [terms(code) for code in "abc"]))
    assert (row["separate_cost"], row["sequence_cost"], row["complete_cost"], row["joint_saving"]) == (2, 11, 11, -9)


def test_spares_of_one_are_used_by_the_next_and_are_worth_something() -> None:
    # Bricks come in bags of ten: m1 leaves five, which m2 needs.
    market = make_market(offer("a", "brick", "red", "0.10", sold_in_multiples_of=10))
    models = [model("m1", line(1, "brick", "red", 5)), model("m2", line(1, "brick", "red", 5))]
    found = bought(models, market)
    first = found["joint_sequence"].filter(pl.col("sequence_number") == 1)
    rows = first.select("complete_cost", "spares_used_piece_count", "spares_worth").rows()
    assert rows == [(6, 0, 0), (0, 5, 6)]
    assert (total(found)["sequence_cost"], total(found)["complete_cost"], total(found)["spare_piece_count"]) == (
        6,
        6,
        0,
    )


def test_which_model_to_buy_first() -> None:
    """m1 leaves five red bricks that m2 may use in any colour; m2 would have bought blue ones, of no use to m1."""
    market = make_market(
        offer("a", "brick", "red", "0.10", sold_in_multiples_of=10), offer("a", "brick", "blue", "0.02", 5)
    )
    models = [
        model("m1", line(1, "brick", "red", 5)),
        model("m2", line(1, "brick", "blue", 5), flexible_lines=[flexibility(1, "any")]),
    ]
    found = bought(models, market)
    best = found["joint_sequence"].filter(pl.col("sequence_number") == 1)
    assert best["model_code"].to_list() == ["m1", "m2"] and best["complete_cost"].to_list() == [6, 0]
    worst = found["joint_sequence"].filter(pl.col("sequence_number") == 2)
    assert worst["complete_cost"].sum() == Decimal("11.10")


@pytest.mark.parametrize("limit", [{"maximum_piece_count": 10}, {"maximum_element_count": 1}])
def test_a_limit_of_the_vendor_asks_for_two_orders(limit: dict[str, int]) -> None:
    market = make_market(offer("a", "brick", "red", "0.10"), offer("a", "plate", "grey", "0.10"))
    models = [model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "plate", "grey", 10))]
    found = bought(models, market, [terms("a", shipping_charge="5", **limit)])
    orders = found["joint_vendor"].select("vendor_code", "order_number", "landed_cost").rows()
    assert orders == [("a", 1, 6), ("a", 2, 6)]
    assert (total(found)["order_count"], total(found)["vendor_count"], total(found)["unfilled_piece_count"]) == (
        2,
        1,
        0,
    )


def test_duty_from_a_value_on_keeps_orders_apart() -> None:
    """From 25 of goods on duty is 50 %: two orders of 20 pay none."""
    border = [
        {
            "buyer_region_code": "NL",
            "vendor_region_code": "far",
            "currency_code": "EUR",
            "goods_from": "25",
            "duty_pct": "50",
        }
    ]
    vendors = [{"vendor_code": "a", "vendor_name": "A", "vendor_region_code": "far", "currency_code": "EUR"}]
    market = make_market(offer("a", "brick", "red", "2"))
    models = [model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "brick", "red", 10))]
    found = bought(models, market, [terms("a", shipping_charge="5")], border_charges=border, vendors=vendors)
    assert found["joint_vendor"]["landed_cost"].to_list() == [25, 25]


def test_what_cannot_be_bought_is_estimated() -> None:
    market = make_market(offer("a", "brick", "red", "0.10", 10))
    models = [model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "brick", "red", 10))]
    row = total(bought(models, market))
    assert (row["unfilled_piece_count"], row["unfilled_estimate"], row["landed_cost"]) == (10, 1, 6)
    assert row["separate_unfilled_piece_count"] == 0


def test_too_many_models_share_in_proportion(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(joint_orders, "FAIR_UP_TO", 2)
    market = make_market(offer("a", "brick", "red", "0.10", 1000))
    found = bought([model(f"m{number}", line(1, "brick", "red", 10 * number)) for number in (1, 2, 3)], market)
    assert set(found["joint_share"]["share_method"]) == {"proportional"}
    # Separate: 6, 7 and 8, together 6 and one parcel of 5.
    assert shares(found) == {"m1": Decimal("3.14"), "m2": Decimal("3.67"), "m3": Decimal("4.19")}


def test_sets_of_many_models_are_planned_with_little_effort_and_shares_add_up_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    efforts: dict[Any, Any] = {}
    together = SharedMarket.together

    def noted(shared: Any, models: Any, known: Any, effort: Any) -> Any:
        efforts[len(models)] = efforts.get(len(models), set()) | {effort}
        return together(shared, models, known, effort)

    monkeypatch.setattr(SharedMarket, "together", noted)
    market = make_market(offer("a", "brick", "red", "0.10", 1000), offer("b", "brick", "red", "0.20", 1000))
    models = [model(f"m{number}", line(1, "brick", "red", 10 * number)) for number in (1, 2, 3, 4)]
    found = bought(models, market)
    assert efforts == {2: {"quick"}, 3: {"quick"}, 4: {"standard"}}
    assert set(found["joint_share"]["share_method"]) == {"shapley"}
    # 100 bricks for 10 and one parcel of 3 from b would cost 23; from a 15. Alone each adds its bricks and a parcel of 5 or 3.
    assert found["joint_share"]["joint_share"].sum() == total(found)["complete_cost"] == 15
    efforts.clear()
    bought(models[:3], market)
    assert efforts == {2: {"standard"}, 3: {"standard"}}


def random_case(chance: Any) -> Any:
    """A few models and vendors with parcels, minimums, waivers, bags and little stock."""
    parts, colours = ["brick", "plate", "slope"], ["red", "blue"]
    models = []
    for code in ("m1", "m2", "m3")[: chance.choice((2, 2, 3))]:
        lines = [
            line(at, chance.choice(parts), chance.choice(colours), chance.randint(1, 8))
            for at in range(1, chance.randint(2, 4))
        ]
        rules = [flexibility(row["line_number"], "any") for row in lines if chance.random() < 0.4]
        models.append(model(code, *lines, flexible_lines=rules))
    offers = {
        (vendor, part, colour): offer(
            vendor, part, colour, f"0.{chance.randint(5, 60):02d}", chance.randint(3, 20),
            sold_in_multiples_of=chance.choice((1, 1, 1, 3)), maximum_per_order=chance.choice((None, None, 9)),
        )
        for vendor in "abc" for part in parts for colour in colours if chance.random() < 0.7
    }  # fmt: skip
    vendor_terms = [
        terms(
            vendor, shipping_charge=str(chance.choice((0, 2, 4))), minimum_order=str(chance.choice((0, 0, 1))),
            **({"shipping_waived_from": "3"} if chance.random() < 0.3 else {}),
            **({"maximum_piece_count": "15"} if chance.random() < 0.3 else {}),
        )
        for vendor in "abc"
    ]  # fmt: skip
    stock = [{"part_code": "brick", "colour_code": "red", "quantity_on_hand": chance.randint(1, 6)}]
    return models, make_market(*offers.values()), vendor_terms, stock


@pytest.mark.parametrize("seed", range(examples(3, 300)))
def test_together_never_costs_more_than_any_sequence_and_shares_add_up(seed: Any) -> None:
    models, market, vendor_terms, stock = random_case(random.Random(seed))
    found = bought(models, market, vendor_terms, stock_on_hand=stock)
    row = total(found)
    sequences = (
        found["joint_sequence"]
        .group_by("sequence_number")
        .agg(pl.col("complete_cost").sum(), pl.col("unfilled_piece_count").sum())
    )
    for cost, unfilled in sequences.select("complete_cost", "unfilled_piece_count").iter_rows():
        assert row["unfilled_piece_count"] <= unfilled
        # Rounding is per order: joined orders round once instead of twice.
        assert row["unfilled_piece_count"] < unfilled or row["complete_cost"] <= cost + Decimal("0.02")
    assert found["joint_share"]["joint_share"].sum() == row["complete_cost"]
    assert found["joint_vendor"]["landed_cost"].sum() == row["landed_cost"]
    assert row["lower_bound"] <= row["landed_cost"]
    bought_pieces = found["joint_plan"].group_by("offer_id").agg(pl.col("quantity").sum())
    on_offer = market.select("offer_id", "quantity_available")
    assert (
        bought_pieces.join(on_offer, on="offer_id").filter(pl.col("quantity") > pl.col("quantity_available")).is_empty()
    )
    asked = sum(int(m.parts_list["quantity"].sum()) for m in models)
    counts = found["joint_share"].select("used_piece_count", "on_hand_piece_count", "unfilled_piece_count").sum().row(0)
    assert sum(counts) == asked


@pytest.mark.parametrize("seed", range(examples(1, 40)))
def test_two_models_alike_pay_alike(seed: Any) -> None:
    models, market, vendor_terms, _ = random_case(random.Random(1000 + seed))
    twins = [models[0], make_model(models[0].parts_list.to_dicts(), models[0].flexible_lines.to_dicts(), model_code="twin", title="T"), models[1]]  # fmt: skip
    first, second = (shares(bought(twins, market, vendor_terms))[code] for code in ("m1", "twin"))
    assert abs(first - second) <= Decimal("0.01")  # a cent that can't be halved


def test_where_nothing_is_on_offer_the_order_is_all_estimate() -> None:
    models = [model("m1", line(1, "brick", "red", 10)), model("m2", line(1, "plate", "grey", 4))]
    seen = make_market(offer("b", "brick", "red", "0.25"))
    found = bought(models, make_market(offer("a", "wheel", "black", "1")), last_seen=seen)
    row = total(found)
    assert (row["landed_cost"], row["complete_cost"], row["unfilled_piece_count"]) == (0, Decimal("2.5"), 14)
    assert row["unfilled_estimate_count"] == 4
    assert shares(found) == {"m1": Decimal("2.5"), "m2": 0}


def test_each_model_may_have_several_orders_with_a_vendor() -> None:
    """Ten pieces fit in an order: 15 of one model and 5 of the other are two orders in all, for which there is just the stock."""
    market = make_market(offer("a", "brick", "red", "0.10", 20))
    models = [model("m1", line(1, "brick", "red", 15)), model("m2", line(1, "brick", "red", 5))]
    limits = {"maximum_piece_count": "10", "maximum_order_count": "3"}
    found = bought(models, market, [terms("a", shipping_charge="5", **limits)])
    orders = found["joint_vendor"].select("vendor_code", "order_number", "bought_piece_count", "landed_cost").rows()
    assert orders == [("a", 1, 10, 6), ("a", 2, 10, 6)]
    row = total(found)
    assert (row["order_count"], row["vendor_count"], row["unfilled_piece_count"]) == (2, 1, 0)
    assert (row["separate_cost"], row["complete_cost"]) == (Decimal("17"), Decimal("12"))
    pieces = found["joint_plan"].group_by("model_code").agg(pl.col("quantity").sum()).sort("model_code").rows()
    assert pieces == [("m1", 15), ("m2", 5)]
    assert found["joint_plan"]["offer_id"].n_unique() == 1
