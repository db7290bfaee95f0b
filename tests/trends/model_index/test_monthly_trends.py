"""The monthly index of a model: its basket, coverage, base, comparison methods and contributions."""

from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.trends.index_numbers.bilateral import direct_index, jevons, tornqvist
from pipelines.trends.index_numbers.multilateral import geks
from pipelines.trends.index_numbers.panel import Panel
from pipelines.trends.model_index.basket import basket_lines
from pipelines.trends.months import month_before
from schemas.published.price_index import ELEMENT_PRICE, PRICE_INDEX
from schemas.validate import polars_schema
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


def of_method(index: pl.DataFrame, method: str = "lowe") -> pl.DataFrame:
    return index.filter(pl.col("index_method") == method)


def column(frame: pl.DataFrame, name: str) -> list[Any]:
    return frame[name].to_list()


def test_a_basket_of_two_lines() -> None:
    built = model(("a", "red", 10), ("b", "red", 30))
    markets = markets_of({"a": [1.0, 2.0, 2.0], "b": [1.0, 1.0, 1.5]})
    index, lines = price_trends(inputs(), built, HOME, markets)
    lowe = of_method(index)
    assert column(lowe, "month") == ["2025-01", "2025-02", "2025-03"]
    assert set(column(lowe, "base_month")) == {"2025-01"}
    assert column(lowe, "index_level") == pytest.approx([100, 125, 162.5])
    assert column(lowe, "change_1_month_pct") == [None, pytest.approx(25), pytest.approx(30)]
    assert column(lowe, "coverage_share") == [1, 1, 1]
    assert column(lowe, "imputed_share") == [0, 0, 0]
    assert column(of_method(index, "jevons"), "index_level") == pytest.approx([100, 100 * 2**0.5, 100 * 3**0.5])
    assert column(lines.filter(pl.col("month") == "2025-02"), "contribution_points") == pytest.approx([25, 0])
    assert column(lines.filter(pl.col("month") == "2025-03"), "contribution_points") == pytest.approx([0, 30])
    assert column(lines.filter(pl.col("line_number") == 1), "price_change_pct") == [None, pytest.approx(100), 0]


def test_frames_keep_to_their_contracts() -> None:
    index, lines = price_trends(inputs(), model(("a", "red", 1)), HOME, markets_of({"a": [1.0, None]}))
    assert index.schema == polars_schema(PRICE_INDEX)
    assert lines.schema == polars_schema(ELEMENT_PRICE)
    for frame, contract in ((index, PRICE_INDEX), (lines, ELEMENT_PRICE)):
        assert frame.equals(frame.sort(contract.key))


def test_lines_of_one_element_are_needed_together_and_reported_apart() -> None:
    built = model(("a", "red", 6), ("b", "red", 1), ("a", "red", 4))
    # 5 at 1.00 and 5 at 2.00 cover the ten needed; six alone would come at 7 / 6.
    markets = {
        day: market(offer("a", 1.0, 5), offer("a", 2.0, 50, "v2"), offer("b", price))
        for day, price in zip(month_ends(FIRST, 2), (5.0, 6.0), strict=True)
    }
    index, lines = price_trends(inputs(), built, HOME, markets)
    january = lines.filter(pl.col("month") == "2025-01")
    assert column(january, "line_number") == [1, 2, 3]
    assert column(january, "quantity") == [6, 1, 4]
    assert column(january, "element_price") == pytest.approx([1.5, 5.0, 1.5])
    assert column(january, "market_vendor_count") == [2, 1, 2]
    assert column(january, "market_quantity") == [55, 1000, 55]
    assert of_method(index)["basket_line_count"].unique().to_list() == [3]
    assert column(of_method(index), "index_level") == pytest.approx([100, 105])
    assert column(of_method(index, "jevons"), "index_level") == pytest.approx(
        [100, 100 * 1.2**0.5]
    )  # elements, not lines


def test_codes_that_read_alike_when_joined_stay_apart() -> None:
    built = model(("a/b", "c", 1), ("a", "b/c", 1))
    markets = {month_ends(FIRST, 1)[0]: market(offer("a/b", 1.0, colour="c"), offer("a", 2.0, colour="b/c"))}
    assert column(price_trends(inputs(), built, HOME, markets)[1], "element_price") == [1.0, 2.0]


def test_missing_prices_move_with_their_family() -> None:
    built = model(("a", "red", 10), ("b", "red", 10), ("c", "red", 10))
    workspace = inputs(parts=[("a", "plates"), ("b", "plates"), ("c", "bricks")], floor=0.5)
    index, lines = price_trends(workspace, built, HOME, markets_of({"a": [1, 2], "b": [2, None], "c": [1, 1]}))
    assert lines.filter(pl.col("month") == "2025-02").select("element_price", "is_imputed").rows() == [
        (2.0, False), (4.0, True), (1.0, False),
    ]  # fmt: skip
    lowe = of_method(index)
    assert column(lowe, "index_level") == pytest.approx([100, 175])
    assert column(lowe, "coverage_share") == pytest.approx([1, 0.5])
    assert column(lowe, "imputed_share") == pytest.approx([0, 0.5])
    assert column(lowe, "priced_line_count") == [3, 2]
    assert column(of_method(index, "jevons"), "index_level") == pytest.approx([100, 100 * 2**0.5])  # nothing imputed


def test_a_line_that_was_never_priced_lowers_coverage() -> None:
    """It counts at the mean price of its family, so that a list nobody can price does not look covered."""
    workspace = inputs(parts=[("a", "plates"), ("b", "plates"), ("c", "bricks")], floor=0.5)
    built = model(("a", "red", 10), ("b", "red", 10), ("c", "red", 10))
    index, lines = price_trends(workspace, built, HOME, markets_of({"a": [3, 3], "c": [4, 4]}))
    assert column(of_method(index), "coverage_share") == pytest.approx([0.7, 0.7])  # 3 + 4 of 3 + 3 + 4
    assert column(of_method(index), "imputed_share") == [0, 0]
    never = lines.filter(pl.col("line_number") == 2)
    for name in ("element_price", "price_change_pct", "contribution_points"):
        assert column(never, name) == [None, None]
    assert column(never, "is_imputed") == [False, False]
    assert column(never, "market_quantity") == [0, 0]


def test_a_line_of_unknown_family_that_was_never_priced_counts_at_the_mean_of_all() -> None:
    built = model(("a", "red", 1), ("b", "red", 1), ("c", "red", 1))
    workspace = inputs(parts=[("a", "plates")], floor=0.5)
    index, _ = price_trends(workspace, built, HOME, markets_of({"a": [1.0], "b": [4.0]}))
    assert column(of_method(index), "coverage_share") == pytest.approx(
        [5 / 7]
    )  # c at 2, not at 4 like the other unknown


def test_months_below_the_floor_are_withheld() -> None:
    built = model(("a", "red", 1), ("b", "red", 1))
    paths = {"a": [1.0, 1.0, 1.0, 1.0], "b": [None, 9.0, None, 9.0]}
    index, lines = price_trends(inputs(floor=0.8), built, HOME, markets_of(paths))
    for method in ("lowe", "jevons", "geks-tornqvist"):
        rows = of_method(index, method)
        assert column(rows, "is_withheld") == [True, False, True, False]
        assert column(rows, "index_level") == [None, pytest.approx(100), None, pytest.approx(100)]
        assert column(rows, "change_1_month_pct") == [None] * 4
        assert set(column(rows, "base_month")) == {"2025-02"}  # the first month covered well enough
    assert column(of_method(index), "coverage_share") == pytest.approx([0.1, 1, 0.1, 1])
    assert lines["contribution_points"].null_count() == 8
    assert lines["element_price"].null_count() == 0  # back-cast and imputed, and flagged
    assert column(lines.filter(pl.col("line_number") == 2), "is_imputed") == [True, False, True, False]


def test_when_no_month_reaches_the_floor_all_are_withheld() -> None:
    built = model(("a", "red", 1), ("b", "red", 1))
    index, lines = price_trends(inputs(floor=0.9), built, HOME, markets_of({"a": [1.0, None], "b": [None, 3.0]}))
    assert index["is_withheld"].all()
    assert index["index_level"].null_count() == index.height
    assert set(index["base_month"]) == {"2025-02"}  # covered best
    assert lines["contribution_points"].null_count() == lines.height


def test_a_market_without_any_price() -> None:
    index, lines = price_trends(inputs(floor=0), model(("a", "red", 1)), HOME, markets_of({"a": [None, None]}))
    assert index["is_withheld"].all()
    assert set(index["coverage_share"]) == {0.0}
    assert lines["element_price"].null_count() == 2


def test_nothing_to_price() -> None:
    for built, markets in (
        (model(("a", "red", 1)), {}),
        (model(("a", "red", 1), versions=[{"list_version": 1, "released_on": "2030-01-01"}]), markets_of({"a": [1]})),
        (model({"part_code": "a", "colour_code": "red", "quantity": 1, "section_code": "s"}, skip_sections=["s"]),
         markets_of({"a": [1]})),
    ):  # fmt: skip
        index, lines = price_trends(inputs(), built, HOME, markets)
        assert index.schema == polars_schema(PRICE_INDEX) and index.is_empty()
        assert lines.schema == polars_schema(ELEMENT_PRICE) and lines.is_empty()


def test_two_dates_of_one_month_are_refused() -> None:
    markets = {date(2025, 1, 15): market(), date(2025, 1, 31): market()}
    with pytest.raises(ValueError, match="month"):
        price_trends(inputs(), model(("a", "red", 1)), HOME, markets)


def test_the_basket_is_the_latest_list_over_the_whole_history() -> None:
    versions = [{"list_version": 1, "released_on": "2020-01-01"}, {"list_version": 2, "released_on": "2025-02-01"}]
    built = model(
        {"list_version": 1, "part_code": "a", "colour_code": "red", "quantity": 1},
        {"list_version": 2, "part_code": "b", "colour_code": "red", "quantity": 7, "section_code": ""},
        {"list_version": 2, "part_code": "c", "colour_code": "red", "quantity": 7, "section_code": "base"},
        versions=versions, copy_count=3, skip_sections=["base"],
    )  # fmt: skip
    index, lines = price_trends(inputs(), built, HOME, markets_of({"a": [1.0, 9.0], "b": [1.0, 1.1], "c": [1.0, 9.0]}))
    assert lines.select("month", "line_number", "part_code", "quantity").rows() == [
        ("2025-01", 2, "b", 21),
        ("2025-02", 2, "b", 21),
    ]
    assert column(of_method(index), "index_level") == pytest.approx([100, 110])
    assert basket_lines(built, date(2025, 1, 31))["part_code"].to_list() == ["a"]


def test_changes_over_a_year_and_over_a_missing_month() -> None:
    markets = markets_of({"a": [1.0 + n / 10 for n in range(14)]})
    del markets[date(2025, 12, 31)]
    index, lines = price_trends(inputs(), model(("a", "red", 1)), HOME, markets)
    lowe = {row["month"]: row for row in of_method(index).to_dicts()}
    assert lowe["2026-01"]["change_12_months_pct"] == pytest.approx(120)
    assert lowe["2026-02"]["change_12_months_pct"] == pytest.approx(100 * (2.3 / 1.1 - 1))
    assert lowe["2025-11"]["change_12_months_pct"] is None
    assert lowe["2026-01"]["change_1_month_pct"] is None  # December is not there, and November is not the month before
    january = lines.filter(pl.col("month") == "2026-01")
    assert column(january, "price_change_pct") == [None]
    assert column(january, "contribution_points") == [None]
    assert lowe["2026-02"]["change_1_month_pct"] == pytest.approx(100 * (2.3 / 2.2 - 1))


def test_a_buyer_in_another_currency_sees_the_rate_move() -> None:
    rates = [("2025-01-31", "EUR", "USD", "1.0"), ("2025-02-28", "EUR", "USD", "1.1")]
    built, markets = model(("a", "red", 1)), markets_of({"a": [1.0, 1.0]})
    workspace = inputs(rates=rates, buyers=(HOME, ABROAD))
    assert column(of_method(price_trends(workspace, built, HOME, markets)[0]), "index_level") == [100, 100]
    index, lines = price_trends(workspace, built, ABROAD, markets)
    assert column(of_method(index), "index_level") == pytest.approx([100, 110])
    assert column(lines, "element_price") == pytest.approx([1.02, 1.122])  # its margin is 2 %


def test_a_market_date_within_its_month_takes_the_rates_of_that_date() -> None:
    rates = [("2025-01-31", "EUR", "USD", "1.0"), ("2025-02-10", "EUR", "USD", "2.0")]
    frames = list(markets_of({"a": [1.0, 1.0]}).values())
    markets = {date(2025, 1, 31): frames[0], date(2025, 2, 10): frames[1]}
    index, _ = price_trends(inputs(rates=rates), model(("a", "red", 1)), ABROAD, markets)
    assert column(of_method(index), "index_level") == pytest.approx([100, 200])


def test_comparison_methods_are_the_formulas_on_observed_prices() -> None:
    paths: dict[str, list[float | None]] = {
        "a": [1.0, 1.5, 1.2, 1.4],
        "b": [2.0, None, 2.6, 2.2],
        "c": [0.5, 0.6, 0.4, None],
    }
    built = model(("a", "red", 5), ("b", "red", 3), ("c", "red", 20))
    index, _ = price_trends(inputs(floor=0), built, HOME, markets_of(paths))
    rows = [
        (f"2025-{n + 1:02d}", part, price, quantity)
        for (part, path), quantity in zip(paths.items(), (5.0, 3.0, 20.0), strict=True)
        for n, price in enumerate(path)
    ]
    panel = Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))
    assert column(of_method(index, "jevons"), "index_level") == pytest.approx(
        100 * direct_index(panel, jevons, "2025-01")
    )
    assert column(of_method(index, "geks-tornqvist"), "index_level") == pytest.approx(100 * geks(panel, tornqvist))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_contributions_add_up_to_the_change_of_the_headline(data: Any) -> None:
    count, months = data.draw(st.integers(1, 6)), data.draw(st.integers(2, 4))
    cell = st.one_of(st.none(), st.integers(1, 500).map(lambda cents: cents / 100))
    paths = {f"p{n}": data.draw(st.lists(cell, min_size=months, max_size=months)) for n in range(count)}
    lines = [(f"p{n}", "red", data.draw(st.integers(1, 50))) for n in range(count)]
    workspace = inputs(floor=data.draw(st.sampled_from([0.0, 0.5])), parts=[("p0", "f"), ("p1", "f"), ("p2", "g")])
    index, prices = price_trends(workspace, model(*lines), HOME, markets_of(paths))
    sums = prices.group_by("month").agg(
        pl.col("contribution_points").sum(), pl.col("contribution_points").is_not_null().any().alias("has_points")
    )
    for row in of_method(index).join(sums, on="month").to_dicts():
        change = row["change_1_month_pct"]
        assert row["has_points"] == (change is not None)
        if change is not None:
            assert row["contribution_points"] == pytest.approx(change, abs=1e-12 * max(100.0, abs(change)))


def test_the_same_inputs_in_another_order_give_the_same_bytes() -> None:
    paths = {f"p{n}": [1 + n / 7, 1.1 + n / 9, None if n == 3 else 1 + n / 8] for n in range(6)}
    built = model(*((part, "red", 3 + n) for n, part in enumerate(paths)))
    markets = markets_of(paths)
    shuffled = {day: markets[day].sample(fraction=1, shuffle=True, seed=n) for n, day in enumerate(reversed(markets))}
    for first, second in zip(
        price_trends(inputs(), built, HOME, markets), price_trends(inputs(), built, HOME, shuffled), strict=True
    ):
        assert first.write_csv() == second.write_csv()


def test_a_planted_history_is_recovered() -> None:
    """Drift 0.4 % a month, a yearly season of 5 %, a shock of +12 % on one family from month 16 on; 15 % of prices missing.

    Each element has noise of 1 % of its own, and each vendor its own steady level. The truth is the basket's cost at the planted
    prices; the index must follow it within half a point at every month.
    """
    random = np.random.default_rng(20261125)
    months, elements = 25, 80
    families = [f"f{n % 4}" for n in range(elements)]
    quantities = random.integers(1, 60, elements)
    time = np.arange(months)[:, None]
    common = 0.004 * time + 0.05 * np.sin(2 * np.pi * time / 12)
    shock = 0.12 * (time >= 16) * (np.array(families) == "f1")
    noise = random.normal(0, 0.01, (months, elements))
    true = np.exp(np.log(random.uniform(0.02, 0.6, elements)) + common + shock + noise)
    is_missing = random.random((months, elements)) < 0.15
    markets = {
        day: market(
            *(
                offer(f"p{n}", f"{true[t, n] * level:.6f}", 200, vendor, day=day)
                for n in np.flatnonzero(~is_missing[t])
                for vendor, level in (("v1", 1.0), ("v2", 1.15))
            )
        )
        for t, day in enumerate(month_ends(FIRST, months))
    }
    workspace = inputs(parts=[(f"p{n}", family) for n, family in enumerate(families)], floor=0.7)
    built = model(*((f"p{n}", "red", int(q)) for n, q in enumerate(quantities)))
    index, _ = price_trends(workspace, built, HOME, markets)
    cost = true @ quantities
    found = np.array(column(of_method(index), "index_level"), dtype=float)
    np.testing.assert_allclose(found, 100 * cost / cost[0], rtol=0, atol=0.5)
    assert 0.7 < index["coverage_share"].to_numpy().mean() < 0.95
    naive = np.nanmean(np.where(is_missing, np.nan, true) * quantities, axis=1)
    assert np.abs(100 * naive / naive[0] - 100 * cost / cost[0]).max() > 2  # what not imputing would give
    year = of_method(index).filter(pl.col("month") == "2026-12")["change_12_months_pct"].item()
    assert year == pytest.approx(100 * (cost[23] / cost[11] - 1), abs=0.7)


@pytest.mark.parametrize(
    ("month", "count", "expected"),
    [("2026-01", 1, "2025-12"), ("2026-12", 12, "2025-12"), ("2026-03", 2, "2026-01"), ("2000-01", 13, "1998-12")],
)
def test_month_before(month: str, count: int, expected: str) -> None:
    assert month_before(month, count) == expected
