"""The spread of price changes, and vendors whose change moves a model."""

from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.costing.goods_factors import goods_factors
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.trends.outlook.price_changes import price_change_distribution, vendor_changes
from tests.builders.trend_markets import inputs, market, markets_of, model, offer, price_trends

BEFORE, NOW = date(2026, 1, 31), date(2026, 2, 28)


def test_percentiles_and_shares_of_changes_worked_out_by_hand() -> None:
    """Of eleven elements, all at 10 before: -50 %, -40 % ... 0 ... +50 %; one more is on two lines and counts once."""
    prices = {f"p{n:02d}": [10, 10 + n - 5] for n in range(11)}
    tower = model(*((part, "red", 1) for part in prices), ("p00", "red", 3))
    _, lines = price_trends(inputs(), tower, inputs().settings.buyer[0], markets_of(prices))
    rows = price_change_distribution(lines).to_dicts()
    assert len(rows) == 1 and rows[0]["month"] == "2025-02" and rows[0]["change_month_count"] == 1
    row = rows[0]
    assert row["item_count"] == 11
    assert [row[f"change_p{p}_pct"] for p in (10, 25, 50, 75, 90)] == pytest.approx([-40, -25, 0, 25, 40])
    assert (row["risen_share"], row["unchanged_share"], row["fallen_share"]) == pytest.approx((5 / 11, 1 / 11, 5 / 11))


def test_a_year_is_compared_with_the_same_month_and_imputed_prices_do_not_count() -> None:
    prices = {"a": [1.0 + 0.1 * n for n in range(14)], "b": [2.0] * 5 + [None] * 9}
    _, lines = price_trends(
        inputs(), model(("a", "red", 1), ("b", "red", 1)), inputs().settings.buyer[0], markets_of(prices)
    )
    rows = {(r["month"], r["change_month_count"]): r for r in price_change_distribution(lines).to_dicts()}
    assert rows["2026-02", 12]["change_p50_pct"] == pytest.approx(100 * (2.3 / 1.1 - 1))
    assert rows["2026-02", 12]["item_count"] == 1 and rows["2025-03", 1]["item_count"] == 2
    assert ("2025-12", 12) not in rows


def night(*models: Model, **given: Any) -> WorkspaceInputs:
    made = inputs(**given)
    return WorkspaceInputs(made.settings, made.tables, models, made.input_files)


def changes(given: WorkspaceInputs, before: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    return vendor_changes(given, BEFORE, before, NOW, now, goods_factors(given, (BEFORE, NOW)))


def moves(before: pl.DataFrame, now: pl.DataFrame, *models: Model, **given: Any) -> dict[str, dict[str, Any]]:
    return {row["vendor_code"]: row for row in changes(night(*models, **given), before, now).to_dicts()}


def test_a_vendors_rise_is_its_own_and_others_as_they_are() -> None:
    """v1 sells a at 1 and then at 2, v2 at 3 throughout; b stays: the basket goes from 10 + 10 to 20 + 10."""
    b = offer("b", 2, vendor="v2")
    found = moves(
        market(offer("a", 1), offer("a", 3, vendor="v2"), b),
        market(offer("a", 2), offer("a", 3, vendor="v2"), b),
        model(("a", "red", 10), ("b", "red", 5)),
    )
    assert set(found) == {"v1"}
    assert found["v1"]["vendor_effect_pct"] == pytest.approx(50) and found["v1"]["moved_element_count"] == 1


def test_a_vendor_that_leaves_costs_what_the_next_one_asks() -> None:
    found = moves(
        market(offer("a", 1), offer("a", 3, vendor="v2")),
        market(offer("a", 3, vendor="v2")),
        model(("a", "red", 10)),
    )
    assert found["v1"]["vendor_effect_pct"] == pytest.approx(200)


def test_a_newcomer_that_is_cheaper_lowers_the_cost_and_a_dear_one_moves_nothing() -> None:
    now = market(offer("a", 4), offer("a", 1, vendor="v2"), offer("a", 9, vendor="v3"))
    found = moves(market(offer("a", 4)), now, model(("a", "red", 10)))
    assert set(found) == {"v2"} and found["v2"]["vendor_effect_pct"] == pytest.approx(-75)


def test_stock_counts_as_well_as_price() -> None:
    found = moves(
        market(offer("a", 1, 100), offer("a", 2, vendor="v2")),
        market(offer("a", 1, 5), offer("a", 2, vendor="v2")),
        model(("a", "red", 10)),
    )
    assert found["v1"]["vendor_effect_pct"] == pytest.approx(50)


def test_an_exchange_rate_is_no_vendors_doing() -> None:
    rates = [(BEFORE, "SEK", "EUR", "0.08"), (NOW, "SEK", "EUR", "0.16")]
    same = market(offer("a", Decimal(10), currency_code="SEK"))
    assert moves(same, same, model(("a", "red", 10)), rates=rates) == {}


def test_an_element_nobody_else_has_ever_sold_shows_no_effect() -> None:
    assert (
        moves(market(offer("b", 1)), market(offer("b", 1), offer("a", 1)), model(("a", "red", 1), ("b", "red", 1)))
        == {}
    )


def test_no_models_no_rows() -> None:
    assert changes(night(), market(), market()).is_empty()
    assert isinstance(changes(night(model(("a", "red", 1))), market(), market()), pl.DataFrame)
