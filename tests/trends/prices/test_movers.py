"""The elements that rose and fell most, by observed prices alone."""

import polars as pl
import pytest

from pipelines.inputs import Model
from pipelines.settings import Buyer
from pipelines.trends.prices.movers import movers
from schemas.published.price_index import ELEMENT_PRICE
from tests.builders.trend_markets import (
    ABROAD,
    FIRST,
    HOME,
    inputs,
    market,
    markets_of,
    model,
    month_ends,
    offer,
    price_trends,
)

PATHS = {
    "up much": [1.0, 2.0],
    "up little": [1.0, 1.1],
    "down": [1.0, 0.8],
    "still": [1.0, 1.0],
    "gone": [1.0, None],
    "new": [None, 5.0],
}


def prices_of(*models: Model, buyer: Buyer = HOME) -> pl.DataFrame:
    return pl.concat(price_trends(inputs(floor=0), built, buyer, markets_of(PATHS))[1] for built in models)


ALL = model(*((part, "red", 10) for part in PATHS))


def test_rises_and_falls_of_observed_prices() -> None:
    found = movers(prices_of(ALL), "2025-02", "home", 5)
    assert found.columns == ["mover_direction", "mover_rank", *ELEMENT_PRICE.columns]
    assert found.select("mover_direction", "mover_rank", "part_code").rows() == [
        ("rise", 1, "up much"), ("rise", 2, "up little"), ("fall", 1, "down"),
    ]  # fmt: skip
    assert found["price_change_pct"].to_list() == pytest.approx([100, 10, -20])
    assert found["market_vendor_count"].to_list() == [1, 1, 1]


def test_as_many_as_asked_for() -> None:
    assert movers(prices_of(ALL), "2025-02", "home", 1)["part_code"].to_list() == ["up much", "down"]


def test_an_element_of_several_lines_and_models_appears_once_with_the_largest_need() -> None:
    tower = model(("up much", "red", 1), ("up much", "red", 3), model_code="tower")
    castle = model(("up much", "red", 2), ("down", "red", 1), model_code="castle")
    prices = prices_of(tower, castle)
    assert movers(prices, "2025-02", "home", 5).select("part_code", "model_code", "line_number").rows() == [
        ("up much", "tower", 2),
        ("down", "castle", 2),
    ]
    assert movers(prices, "2025-02", "home", 5, "castle")["model_code"].unique().to_list() == ["castle"]


def test_one_buyer_at_a_time_and_nothing_in_the_first_month() -> None:
    rates = [("2025-01-31", "EUR", "USD", "1"), ("2025-02-28", "EUR", "USD", "10")]
    abroad = price_trends(inputs(floor=0, rates=rates), ALL, ABROAD, markets_of(PATHS))[1]
    prices = pl.concat([prices_of(ALL), abroad])
    assert movers(prices, "2025-02", "home", 5).height == 3
    assert movers(prices, "2025-02", "abroad", 5)["mover_direction"].to_list() == ["rise"] * 4
    assert movers(prices, "2025-01", "home", 5).is_empty()
    assert movers(prices.clear(), "2025-02", "home", 5).is_empty()


def test_the_last_digit_of_a_mean_is_no_change() -> None:
    """Ten pieces at 0.07 from one vendor or from three: the sums differ in their last bit, the price does not."""
    days = month_ends(FIRST, 3)
    of_three = [offer("p", "0.07", count, f"v{n}") for n, count in ((1, 1), (2, 8), (3, 1))]
    markets = {days[0]: market(offer("p", "0.07")), days[1]: market(*of_three), days[2]: market(offer("p", "0.07"))}
    prices = price_trends(inputs(), model(("p", "red", 10)), HOME, markets)[1]
    assert prices["price_change_pct"][1] != 0
    for month in ("2025-02", "2025-03"):
        assert movers(prices, month, "home", 5).is_empty()
