"""The price of an element on a date: the cheapest pieces that cover enough of the need."""

from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.costing.goods_factors import goods_factors
from pipelines.settings import Buyer
from pipelines.trends.prices.element_prices import element_prices
from tests.builders.trend_markets import ABROAD, HOME, inputs, market, offer

DAY = date(2026, 1, 31)


def priced(
    offers: list[Any], need: int = 10, buyer: Buyer = HOME, day: date = DAY, part: str = "p1", **workspace: Any
) -> tuple[float | None, int, int]:
    """The one row of a need of one element on one date."""
    made = inputs(**workspace, buyers=(HOME, ABROAD))
    needs = pl.DataFrame({"part_code": [part], "colour_code": ["red"], "quantity": [need]})
    rates = made.tables["exchange_rates"]
    found = element_prices(needs, {day: market(*offers)}, buyer, goods_factors(made, [day]), rates)
    assert found.height == 1
    assert found["day"].item() == day
    return found.select("element_price", "market_vendor_count", "market_quantity").row(0)


def test_the_cheapest_pieces_that_cover_the_need() -> None:
    offers = [offer("p1", "0.30", 100, "v3"), offer("p1", "0.10", 4, "v1"), offer("p1", "0.20", 3, "v2")]
    # 4 at 0.10, 3 at 0.20, 3 at 0.30
    assert priced(offers) == (pytest.approx(0.19), 3, 107)


def test_one_vendor_with_two_listings_counts_once() -> None:
    offers = [offer("p1", "0.10", 6), offer("p1", "0.20", 6, listing_code="b")]
    assert priced(offers) == (pytest.approx(0.14), 1, 12)


@pytest.mark.parametrize(("stock", "price"), [(4, None), (5, 0.1), (10, 0.1)])
def test_stock_must_cover_half_of_the_need(stock: int, price: float | None) -> None:
    assert priced([offer("p1", "0.10", stock)]) == (price if price is None else pytest.approx(price), 1, stock)


@pytest.mark.parametrize(
    "other",
    [
        {"condition": "used"},
        {"is_suspect": True},
        {"form_certainty": "open"},
        {"step_from_quantity": 100},
        {"quantity_available": 0},
        {"colour_code": "blue"},
        {"part_code": "p2"},
        {"vendor_code": "not served"},
        {"currency_code": "USD"},
    ],
    ids=lambda other: next(iter(other)),
)
def test_what_does_not_count(other: dict[str, Any]) -> None:
    left_aside = offer("p1", "0.01") | other
    assert priced([left_aside]) == (None, 0, 0)
    assert priced([left_aside, offer("p1", "0.10")]) == (pytest.approx(0.10), 1, 1000)


def test_a_vendor_counts_from_the_day_it_serves_the_region() -> None:
    own, other = (
        {"vendor_code": "v1", "buyer_region_code": r, "valid_from_on": "2026-01-31"} for r in ("north", "south")
    )
    assert priced([offer("p1", "0.10")], terms=[own])[0] == pytest.approx(0.10)
    assert priced([offer("p1", "0.10")], terms=[other])[0] is None
    assert priced([offer("p1", "0.10")], terms=[own], day=date(2026, 1, 30))[0] is None
    later = own | {"valid_from_on": "2026-06-30"}
    assert priced([offer("p1", "0.10")], terms=[own, later]) == (pytest.approx(0.10), 1, 1000)


def test_a_limit_per_order_limits_what_counts_for_the_price_only() -> None:
    offers = [offer("p1", "0.10", 50, maximum_per_order=5), offer("p1", "0.20", 50, "v2")]
    assert priced(offers) == (pytest.approx(0.15), 2, 100)


def test_prices_are_converted_at_the_rate_of_the_date_with_the_margin() -> None:
    rates = [("2026-01-28", "EUR", "USD", "1.25"), ("2026-02-27", "EUR", "USD", "2")]
    assert priced([offer("p1", "0.10")], buyer=ABROAD, rates=rates)[0] == pytest.approx(0.10 * 1.25 * 1.02, rel=1e-12)
    in_dollars = offer("p1", "0.10", currency_code="USD")
    assert priced([in_dollars], buyer=ABROAD)[0] == pytest.approx(0.10)  # no margin on the buyer's own currency
    assert priced([in_dollars], rates=rates)[0] == pytest.approx(0.10 / 1.25)
    old = [("2026-01-23", "EUR", "USD", "1.25")]
    assert priced([in_dollars], rates=old) == (None, 0, 0)


def test_the_cheaper_currency_goes_first() -> None:
    rates = [("2026-01-31", "USD", "EUR", "0.5")]
    offers = [offer("p1", "0.10", 6), offer("p1", "0.12", 6, "v2", currency_code="USD")]
    assert priced(offers, rates=rates)[0] == pytest.approx((6 * 0.06 + 4 * 0.10) / 10)


def test_every_date_and_element_has_a_row() -> None:
    needs = pl.DataFrame({"part_code": ["p2", "p1"], "colour_code": ["red", "red"], "quantity": [1, 1]})
    markets = {date(2026, 2, 28): market(), DAY: market(offer("p1", "0.5"))}
    rates = inputs().tables["exchange_rates"]
    found = element_prices(needs, markets, HOME, goods_factors(inputs(), markets), rates)
    assert found.select("day", "part_code", "element_price").rows() == [
        (DAY, "p1", 0.5),
        (DAY, "p2", None),
        (date(2026, 2, 28), "p1", None),
        (date(2026, 2, 28), "p2", None),
    ]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 30), st.integers(1, 40), st.sampled_from(["p1", "p2"])), min_size=1, max_size=15),
    st.integers(1, 100),
)
def test_the_same_as_buying_piece_by_piece(stock: list[tuple[int, int, str]], need: int) -> None:
    offers = [offer(part, Decimal(cents) / 100, count, f"v{n}") for n, (cents, count, part) in enumerate(stock)]
    pieces = sorted(cents for cents, count, part in stock for _ in range(count) if part == "p1")
    bought = pieces[:need]
    expected = sum(bought) / len(bought) / 100 if bought and len(bought) >= need / 2 else None
    price, vendors, quantity = priced(offers, need, terms=[f"v{n}" for n in range(15)])
    assert price == (expected if expected is None else pytest.approx(expected))
    assert (vendors, quantity) == (sum(part == "p1" for _, _, part in stock), len(pieces))
