"""The index is made of what buyers pay: tax moves it, and vendors are compared after tax."""

from datetime import date
from typing import Any

import pytest

from pipelines.costing.goods_factors import goods_factors
from pipelines.trends.outlook.price_changes import vendor_changes
from tests.builders.trend_markets import ABROAD, FIRST, HOME, inputs, market, model, month_ends, offer, price_trends

DAYS = month_ends(FIRST, 3)
BASKET = model(("a", "red", 10), ("b", "red", 5))
TAXED = {"vendor_code": "v1", "tax_rate_pct": 20}


def levels(terms: list[Any], *months: list[dict[str, Any]], **given: Any) -> dict[str, list[float]]:
    """The levels of each method in months whose markets have these offers."""
    markets = {
        day: market(*(row | {"valid_from_on": day} for row in rows)) for day, rows in zip(DAYS, months, strict=True)
    }
    buyer = given.get("buyers", (HOME,))[0]
    index, _ = price_trends(inputs(terms=terms, **given), BASKET, buyer, markets)
    return {
        str(method): part["index_level"].to_list() for (method,), part in index.sort("month").group_by("index_method")
    }


def plain() -> list[dict[str, Any]]:
    return [offer("a", "0.10"), offer("b", "0.40")]


def test_a_change_of_tax_moves_every_method_by_exactly_its_ratio() -> None:
    """20 % until February, 25 % in March, at the same displayed prices: 1.25 / 1.20."""
    terms = [TAXED, TAXED | {"tax_rate_pct": 25, "valid_from_on": date(2025, 3, 1)}]
    found = levels(terms, plain(), plain(), plain())
    assert len(found) == 4
    for path in found.values():
        assert path == pytest.approx([100, 100, 100 * 1.25 / 1.20], rel=1e-12)


def test_a_tax_inside_the_displayed_price_moves_nothing() -> None:
    terms = [
        TAXED | {"tax_on": "included"},
        TAXED | {"tax_on": "included", "tax_rate_pct": 25, "valid_from_on": DAYS[2]},
    ]
    assert levels(terms, plain(), plain(), plain())["lowe"] == pytest.approx([100, 100, 100])


UNTAXED = [{"vendor_code": "v2"}, {"vendor_code": "v2", "tax_rate_pct": 20, "tax_on": "included"}]


@pytest.mark.parametrize("untaxed", UNTAXED, ids=["exempt", "included"])
def test_an_untaxed_vendor_that_is_dearer_to_buy_from_moves_nothing(untaxed: dict[str, Any]) -> None:
    """a costs 0.10 and 20 % tax. 0.125 without tax is dearer than 0.12, 0.11 is cheaper, though both display more than 0.10."""
    dearer = levels([TAXED, untaxed], plain(), [*plain(), offer("a", "0.125", vendor="v2")], plain())
    assert dearer["lowe"] == pytest.approx([100, 100, 100], rel=1e-12)
    cheaper = levels([TAXED, untaxed], plain(), [*plain(), offer("a", "0.11", vendor="v2")], plain())
    # Of 1.20 for a and 2.40 for b: a falls to 1.10.
    assert cheaper["lowe"] == pytest.approx([100, 100 * 3.5 / 3.6, 100], rel=1e-12)


@pytest.mark.parametrize("untaxed", UNTAXED, ids=["exempt", "included"])
def test_a_taxed_vendor_that_only_displays_less_moves_nothing(untaxed: dict[str, Any]) -> None:
    """v2 sells at 0.115 and no tax comes on top; v1 arrives with 0.10 and 20 % tax, which is 0.12."""
    own = [offer("a", "0.115", vendor="v2"), offer("b", "0.40", vendor="v2")]
    found = levels([TAXED, untaxed], own, [*own, offer("a", "0.10")], own)
    assert found["lowe"] == pytest.approx([100, 100, 100], rel=1e-12)


def test_exchange_rates_and_margins_count_as_before() -> None:
    """At 1.25 and then 1.50 dollars for a euro, with the same margin in all months."""
    rates = [(DAYS[0], "EUR", "USD", "1.25"), (DAYS[1], "EUR", "USD", "1.25"), (DAYS[2], "EUR", "USD", "1.5")]
    found = levels([TAXED], plain(), plain(), plain(), rates=rates, buyers=(ABROAD,))
    assert found["lowe"] == pytest.approx([100, 100, 120], rel=1e-12)


def test_a_new_tax_is_no_new_price_of_a_vendor() -> None:
    made = inputs(terms=[TAXED, TAXED | {"tax_rate_pct": 25, "valid_from_on": DAYS[1]}])
    night = type(made)(made.settings, made.tables, (BASKET,), made.input_files)
    before, now = market(*plain()), market(offer("a", "0.10"), offer("b", "0.20"))
    factors = goods_factors(night, DAYS)
    assert vendor_changes(night, DAYS[0], before, DAYS[1], before, factors).is_empty()
    effect = vendor_changes(night, DAYS[0], before, DAYS[1], now, factors)["vendor_effect_pct"].item()
    assert effect == pytest.approx(100 * (2 / 3 - 1))
