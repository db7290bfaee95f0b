"""Vendors that move what a model costs by new terms: each case worked out by hand, from plans the planner made."""

from datetime import date
from typing import Any

import polars as pl
import pytest

from pipelines.insight.over_time.vendor_changes import vendor_changes
from pipelines.planning.scenarios import plan_model
from schemas.published.over_time import VENDOR_CHANGE
from schemas.validate import polars_schema
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

THEN = date(2026, 10, 31)
LINES = [line(1, "brick", "red", 100), line(2, "plate", "grey", 50)]
BRICK, PLATE = offer("a", "brick", "red", "0.10"), offer("b", "plate", "grey", "0.20")
"""Ten euros of bricks and ten of plates."""


def moves(then: Any, now: Any, days: tuple[Any, ...] = (THEN, DAY), **tables: Any) -> Any:
    model = make_model(LINES)
    inputs = make_inputs((model,), (BUYER,), **tables)
    markets = dict(zip((THEN, DAY), (make_market(*then), make_market(*now)), strict=True))
    planned = [
        plan_model(inputs, model, day, BUYER, markets[day], markets[day], make_summaries(), "quick").tables
        for day in days
    ]
    plans = {name: pl.concat([rows[name] for rows in planned]) for name in ("model_cost", "plan_purchase")}
    found = vendor_changes(inputs, {day: markets[day] for day in days}, plans, DAY)
    assert found.schema == polars_schema(VENDOR_CHANGE)
    return {row["vendor_code"]: row for row in found.to_dicts()}


def since(code: Any, **new: Any) -> Any:
    """A vendor's terms before, free of charges, and its new ones."""
    return [terms(code), terms(code, valid_from_on="2026-11-10", **new)]


def both(*vendor_terms: Any) -> Any:
    others = [terms(code) for code in ("a", "b", "c") if code not in {row["vendor_code"] for row in vendor_terms}]
    return moves([BRICK, PLATE], [BRICK, PLATE], vendor_terms=[*vendor_terms, *others])


@pytest.mark.parametrize(
    ("new", "effect"),
    [
        ({"shipping_charge": "3"}, 15),
        ({"shipping_charge": "3", "shipping_waived_from": "10"}, 0),
        ({"order_fee": "1", "order_fee_pct": "5"}, 7.5),
        ({"tax_rate_pct": "20"}, 10),
        ({"discount_from": "5", "discount_pct": "10"}, -5),
        ({"soft_minimum": "12", "soft_minimum_charge": "2"}, 10),
        ({"minimum_order": "9"}, 0),
    ],
)
def test_new_terms_count_by_what_they_add_to_the_same_order(new: dict[str, str], effect: float) -> None:
    found = both(*since("a", **new))
    if not effect:
        assert found == {}
        return
    assert set(found) == {"a"} and found["a"]["terms_effect_pct"] == pytest.approx(effect)
    assert found["a"]["vendor_effect_pct"] == 0 and found["a"]["moved_element_count"] == 0
    assert found["a"]["compared_on"] == THEN and found["a"]["terms_refusal"] == ""


def test_new_handling_charges_count() -> None:
    goods = [offer("a", "brick", "red", "0.10", assortment_code="stock"), PLATE]
    charges = [{"vendor_code": "a", "assortment_code": "stock", "handling_charge": "4", "valid_from_on": "2026-11-10"}]
    found = moves(goods, goods, handling_charges=charges)
    assert found["a"]["terms_effect_pct"] == pytest.approx(20)


def test_a_vendor_that_was_left_for_its_new_terms_still_counts() -> None:
    """Today's plan buys the bricks from c at 0.11, so only the earlier order with a shows what a did."""
    dear = [BRICK, PLATE, offer("c", "brick", "red", "0.11")]
    found = moves(dear, dear, vendor_terms=[*since("a", shipping_charge="3"), terms("b"), terms("c")])
    assert set(found) == {"a"} and found["a"]["terms_effect_pct"] == pytest.approx(15)


def test_a_vendor_that_was_chosen_for_its_new_terms_counts_by_todays_order() -> None:
    """c asked five euros for shipping and asks nothing now, so the bricks come from it at 0.08: 18 in place of 23."""
    goods = [BRICK, PLATE, offer("c", "brick", "red", "0.08")]
    old = [terms("c", shipping_charge="5"), terms("c", valid_from_on="2026-11-10", shipping_charge="0")]
    found = moves(goods, goods, vendor_terms=[*old, terms("a"), terms("b")])
    assert set(found) == {"c"} and found["c"]["terms_effect_pct"] == pytest.approx(100 * (18 / 23 - 1))


def test_a_minimum_that_refuses_the_earlier_order_is_reported() -> None:
    found = both(*since("a", minimum_order="12"))
    assert found["a"]["terms_effect_pct"] == 0 and "12" in found["a"]["terms_refusal"]


def test_prices_and_terms_of_one_vendor_stand_side_by_side() -> None:
    found = moves(
        [BRICK, PLATE],
        [offer("a", "brick", "red", "0.12"), PLATE],
        vendor_terms=[*since("a", shipping_charge="1"), terms("b"), terms("c")],
    )
    assert found["a"]["vendor_effect_pct"] == pytest.approx(10) and found["a"]["moved_element_count"] == 1
    assert found["a"]["terms_effect_pct"] == pytest.approx(5)


def test_neither_rates_nor_a_border_are_a_vendors_doing() -> None:
    rates = [
        {"rate_on": day, "from_currency_code": "USD", "to_currency_code": "EUR", "exchange_rate": rate}
        for day, rate in (("2026-10-30", "0.8"), ("2026-11-24", "0.9"))
    ]
    border = [
        {"buyer_region_code": BUYER.region_code, "vendor_region_code": vendor("a")["vendor_region_code"],
         "currency_code": "EUR", "goods_from": "0", "duty_pct": pct, "clearance_charge": "0", "valid_from_on": day}
        for day, pct in (("2026-01-01", "0"), ("2026-11-10", "8"))
    ]  # fmt: skip
    abroad = [offer("a", "brick", "red", "0.10", currency_code="USD"), PLATE]
    vendors = [vendor("a", currency_code="USD"), vendor("b"), vendor("c")]
    assert moves(abroad, abroad, vendors=vendors, exchange_rates=rates, border_charges=border) == {}


def test_a_vendor_that_begins_to_serve_the_buyer_is_a_newcomer() -> None:
    """c's cheaper bricks were there before, but not for this buyer."""
    goods = [BRICK, PLATE, offer("c", "brick", "red", "0.05")]
    found = moves(goods, goods, vendor_terms=[terms("a"), terms("b"), terms("c", valid_from_on="2026-11-10")])
    assert set(found) == {"c"} and found["c"]["vendor_effect_pct"] == pytest.approx(-25)
    assert found["c"]["terms_effect_pct"] == 0


def test_without_an_earlier_date_nothing_moved() -> None:
    assert (
        moves([BRICK, PLATE], [BRICK, PLATE], days=(DAY,), vendor_terms=[*since("a", shipping_charge="3"), terms("b")])
        == {}
    )


def several(**new: Any) -> Any:
    """The hundred bricks in two orders with a, free of charges, and its new terms."""
    limits = {"maximum_piece_count": 60, "maximum_order_count": 2}
    return [terms("a", **limits), terms("a", valid_from_on="2026-11-10", **(limits | new))]


def test_new_terms_count_for_each_of_several_orders() -> None:
    """Two parcels at 3 on a plan of 20."""
    found = both(*several(shipping_charge="3"))
    assert set(found) == {"a"} and found["a"]["terms_effect_pct"] == pytest.approx(30)
    assert found["a"]["terms_refusal"] == ""


def test_a_vendor_that_takes_fewer_orders_refuses_the_earlier_ones() -> None:
    found = both(*several(maximum_order_count=1))
    assert (found["a"]["terms_effect_pct"], found["a"]["terms_refusal"]) == (0, "2 orders are more than 1")
