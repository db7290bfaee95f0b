"""Bands, contributions by group, indices weighted by what plans use, and a history whose truth is known."""

from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.costing.goods_factors import goods_factors
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.trends.index_numbers.bilateral import chained_index, tornqvist
from pipelines.trends.index_numbers.multilateral import geks
from pipelines.trends.index_numbers.panel import Panel
from pipelines.trends.model_index.monthly import BOUGHT_SCHEMA, PlansAndVintages, Trends, trends_of_models
from schemas.inputs.catalogue import COLOURS
from schemas.inputs.vendors import VENDORS
from tests.builders.length import examples
from tests.builders.trend_markets import FIRST, HOME, inputs, market, markets_of, model, month_ends, offer, table
from tests.present import present


def trends(
    workspace: WorkspaceInputs, built: Model, markets: dict[date, pl.DataFrame], earlier: PlansAndVintages | None = None
) -> Trends:
    return trends_of_models(workspace, [built], HOME, markets, goods_factors(workspace, markets), earlier)


def levels(found: Trends, method: str = "lowe") -> list[float | None]:
    return found.index.filter(pl.col("index_method") == method).sort("month")["index_level"].to_list()


def groups(found: Trends, month: str, view: str = "part_family", span: int = 1) -> dict[str, float]:
    rows = found.contribution.filter(
        (pl.col("month") == month) & (pl.col("contribution_view") == view) & (pl.col("change_month_count") == span)
    )
    return dict(rows.select("contribution_group", "group_contribution_points").iter_rows())


def bought(*rows: tuple[date, str, int]) -> pl.DataFrame:
    """Pieces that plans use: (day, part, quantity)."""
    whole = [("tower", "home", day, part, "red", quantity) for day, part, quantity in rows]
    return pl.DataFrame(whole, BOUGHT_SCHEMA, orient="row")


def with_tables(workspace: WorkspaceInputs, **tables: Any) -> WorkspaceInputs:
    workspace.tables.update(tables)
    return workspace


def test_groups_of_lines_and_their_points() -> None:
    """Cost 10 + 20 + 30 = 60; a rises by 1, b falls by 2, c by 3: 1.67, -3.33 and 5 points."""
    workspace = with_tables(
        inputs(parts=[("a", "bricks"), ("b", "bricks"), ("c", "tiles")]),
        colours=table(
            COLOURS, [{"colour_code": "red", "colour_name": "Red", "srgb_hex": "#FF0000", "colour_family": "reds"}]
        ),
    )
    built = model(("a", "red", 10), ("b", "red", 10), ("c", "red", 10))
    found = trends(workspace, built, markets_of({"a": [1.0, 1.1], "b": [2.0, 1.8], "c": [3.0, 3.3]}))
    assert groups(found, "2025-02") == pytest.approx({"bricks": -100 / 60, "tiles": 300 / 60})
    assert groups(found, "2025-02", "colour_family") == pytest.approx({"reds": 200 / 60})
    assert groups(found, "2025-01") == {}
    assert set(found.contribution["contributing_line_count"]) == {1, 2, 3}


def test_imputed_and_newly_priced_lines_are_groups_of_their_own() -> None:
    """b has no price in February and moves with a, by 10 %; in March it is back at 2.4, 0.2 above what was imputed."""
    workspace = inputs(parts=[("a", "f"), ("b", "f")], floor=0.2)
    found = trends(
        workspace, model(("a", "red", 1), ("b", "red", 1)), markets_of({"a": [1.0, 1.1, 1.1], "b": [2, None, 2.4]})
    )
    assert groups(found, "2025-02") == pytest.approx({"f": 100 * 0.1 / 3, "imputed": 100 * 0.2 / 3})
    assert groups(found, "2025-03") == pytest.approx({"f": 0.0, "newly priced": 100 * 0.2 / 3.3})
    for view in ("colour_family", "vendor_kinds"):
        assert sum(groups(found, "2025-03", view).values()) == pytest.approx(sum(groups(found, "2025-03").values()))


def test_kinds_of_vendors_whose_stock_made_the_price() -> None:
    kinds = [
        {"vendor_code": f"v{n}", "vendor_name": "x", "vendor_region_code": "north", "currency_code": "EUR"}
        for n in "123"
    ]
    kinds[1]["vendor_kind"] = "maker"
    workspace = with_tables(inputs(), vendors=table(VENDORS, kinds))
    days = month_ends(FIRST, 2)
    markets = {
        day: market(
            offer("a", price, 10, "v1", day=day),
            offer("b", 2 * price, 10, "v2", day=day),
            offer("c", price, 4, "v3", day=day),
            offer("c", price + 1, 10, "v2", day=day),
        )
        for day, price in zip(days, (1.0, 1.2), strict=True)
    }
    found = trends(workspace, model(("a", "red", 10), ("b", "red", 10), ("c", "red", 10)), markets)
    # Costs 10, 20 and 4 x 1 + 6 x 2 = 16, together 46; up by 2, 4 and 2.
    expected = {"independent": 200 / 46, "maker": 400 / 46, "both": 200 / 46}
    assert groups(found, "2025-02", "vendor_kinds") == pytest.approx(expected)


def test_twelve_months_are_compared_as_well() -> None:
    path = [1.0 + n / 10 for n in range(14)]
    found = trends(inputs(), model(("a", "red", 3)), markets_of({"a": path}))
    assert groups(found, "2026-02", span=12) == pytest.approx({"unknown": 100 * (path[13] / path[1] - 1)})
    assert groups(found, "2025-12", span=12) == {}


@settings(max_examples=examples(12, 500), deadline=None)
@given(st.data())
def test_groups_add_up_to_the_change_of_the_headline(data: Any) -> None:
    count, months = data.draw(st.integers(1, 6)), data.draw(st.integers(2, 4))
    cell = st.one_of(st.none(), st.integers(1, 500).map(lambda cents: cents / 100))
    paths = {f"p{n}": data.draw(st.lists(cell, min_size=months, max_size=months)) for n in range(count)}
    lines = [(f"p{n}", "red", data.draw(st.integers(1, 50))) for n in range(count)]
    workspace = inputs(floor=data.draw(st.sampled_from([0.0, 0.5])), parts=[("p0", "f"), ("p1", "f"), ("p2", "g")])
    found = trends(workspace, model(*lines), markets_of(paths))
    sums = found.contribution.group_by("month", "contribution_view").agg(pl.col("group_contribution_points").sum())
    changes = found.index.filter(pl.col("index_method") == "lowe", pl.col("change_1_month_pct").is_not_null())
    assert sums.height == 3 * changes.height
    for row in changes.join(sums, on="month").to_dicts():
        change = row["change_1_month_pct"]
        assert row["group_contribution_points"] == pytest.approx(change, abs=1e-12 * max(100.0, abs(change)))


def test_a_band_without_gaps_and_with_fixed_quantities_says_nothing() -> None:
    found = trends(
        inputs(), model(("a", "red", 9), ("b", "red", 5)), markets_of({"a": [1, 1.1, 1.3], "b": [2, 1.9, 1.8]})
    )
    assert set(found.band["band_reason"]) == {"neither"}
    assert (found.band["highest_index_level"] - found.band["lowest_index_level"]).to_numpy().max() < 0.2
    bounds = found.band.select("lowest_index_level", "highest_index_level").rows()
    pairs = zip(levels(found), levels(found, "geks-tornqvist"), strict=True)
    assert bounds == [(min(map(present, pair)), max(map(present, pair))) for pair in pairs]


def test_a_band_says_where_prices_are_missing_and_quantities_move() -> None:
    paths = {"a": [1, 1.1, 1.3], "b": [2, None, 1.8]}
    built, days = model(("a", "red", 9), ("b", "red", 5)), month_ends(FIRST, 3)
    found = trends(inputs(floor=0.2), built, markets_of(paths))
    assert found.band.sort("month")["band_reason"].to_list() == ["neither", "gaps", "neither"]
    plans = bought(*((day, part, 5) for day in days for part in "ab"))
    with_purchases = trends(inputs(floor=0.2), built, markets_of(paths), PlansAndVintages(bought=plans))
    assert with_purchases.band.sort("month")["band_reason"].to_list() == ["quantities", "both", "quantities"]


def test_the_second_geks_is_weighted_by_what_plans_use() -> None:
    """Plans turn from a, which doubles, to c, which is on no line of the list."""
    paths = {"a": [1.0, 1.5, 2.0], "b": [1.0, 1.0, 1.0], "c": [1.2, 1.2, 1.2]}
    days = month_ends(FIRST, 3)
    used = {days[0]: {"a": 10, "b": 5}, days[1]: {"a": 2, "b": 5, "c": 8}, days[2]: {"b": 5, "c": 10}}
    plans = bought(*((day, part, count) for day, parts in used.items() for part, count in parts.items()))
    built = model(("a", "red", 10), ("b", "red", 5))
    found = trends(inputs(), built, markets_of(paths), PlansAndVintages(bought=plans))
    rows = [
        (day.strftime("%Y-%m"), part, paths[part][n], float(used[day].get(part, 0)))
        for n, day in enumerate(days)
        for part in paths
    ]
    panel = Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))
    assert levels(found, "geks-tornqvist-bought") == pytest.approx(100 * geks(panel))
    assert levels(found)[-1] == pytest.approx(100 * 25 / 15)
    assert present(levels(found, "geks-tornqvist-bought")[-1]) < 150
    other = trends(inputs(), built, markets_of(paths), PlansAndVintages(bought=plans.filter(pl.col("day") != days[1])))
    assert levels(other, "geks-tornqvist-bought") == []


def test_a_series_of_plans_that_starts_later_starts_at_the_headlines_level() -> None:
    """A model released in February has plans from then on; its list is priced for January as well."""
    paths = {"a": [1.0, 1.5, 2.0, 1.8], "b": [1.0, 1.0, 1.0, 1.4]}
    days = month_ends(FIRST, 4)
    plans = bought(*((day, part, 3) for day in days[1:] for part in "ab"))
    found = trends(
        inputs(), model(("a", "red", 10), ("b", "red", 5)), markets_of(paths), PlansAndVintages(bought=plans)
    )
    rows = [(f"{n}", part, path[n], 3.0) for part, path in paths.items() for n in (1, 2, 3)]
    panel = Panel.from_frame(pl.DataFrame(rows, ["month", "item_code", "price", "quantity"], orient="row"))
    own = levels(found, "geks-tornqvist-bought")
    assert own[0] is None and own[1:] == pytest.approx(present(levels(found)[1]) * geks(panel))
    assert found.band.sort("month")["band_reason"].to_list() == ["neither", "quantities", "quantities", "quantities"]
    assert (
        levels(trends(inputs(), model(("a", "red", 1)), markets_of(paths), PlansAndVintages(bought=plans.tail(2))), "x")
        == []
    )


def test_the_matched_chain_is_the_chain_of_tornqvist() -> None:
    paths: dict[str, list[float | None]] = {"a": [1.0, 2.0, 1.0], "b": [1.0, 1.0, None], "c": [3.0, None, 2.0]}
    found = trends(inputs(floor=0), model(*((part, "red", 10) for part in paths)), markets_of(paths))
    prices = np.array([[np.nan if p is None else p for p in path] for path in paths.values()]).T
    panel = Panel(("1", "2", "3"), tuple(paths), prices, np.full_like(prices, 10))
    assert levels(found, "matched-chain") == pytest.approx(100 * chained_index(panel, tornqvist))


def test_many_models_together_are_as_each_alone() -> None:
    """Models are priced in portions; what is on several lists is needed by each for itself."""
    paths = {f"p{n}": [1 + n / 7, 1.1 + n / 9, None if n == 3 else 1 + n / 8] for n in range(6)}
    models = [
        model(*((part, "red", 3 + n + k) for n, part in enumerate(paths) if n != k), model_code=f"m{k}")
        for k in range(4)
    ]
    markets = markets_of(paths, stock=6)
    whole = trends_of_models(inputs(floor=0), models, HOME, markets, goods_factors(inputs(), markets))
    for built in models:
        alone = trends(inputs(floor=0), built, markets)
        for name in ("index", "lines", "band", "contribution"):
            of_model = getattr(whole, name).filter(pl.col("model_code") == built.model_code)
            assert of_model.write_csv() == getattr(alone, name).write_csv()


MONTHS, ELEMENTS, EXIT, SHOCK = 37, 60, 24, 16


def known_history() -> tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[Any], dict[date, pl.DataFrame]]:
    """Prices as planted: drift of 0.4 % a month, a season of 5 %, +12 % on family f1 from month 16 on, and at month 24 the exit of the
    cheapest vendor of family f2, whose elements then cost 15 % more. Returns true prices, families, quantities, markets."""
    random = np.random.default_rng(20261126)
    families = np.array([f"f{n % 4}" for n in range(ELEMENTS)])
    quantities = random.integers(1, 60, ELEMENTS)
    time = np.arange(MONTHS)[:, None]
    log = np.log(random.uniform(0.02, 0.6, ELEMENTS)) + 0.004 * time + 0.05 * np.sin(2 * np.pi * time / 12)
    log = log + 0.12 * (time >= SHOCK) * (families == "f1")
    cheapest = np.exp(log)
    true = cheapest * np.where((time >= EXIT) & (families == "f2"), 1.15, 1.0)
    markets = {}
    for t, day in enumerate(month_ends(FIRST, MONTHS)):
        rows = []
        for n in range(ELEMENTS):
            if not (families[n] == "f2" and t >= EXIT):
                rows.append(offer(f"p{n}", f"{cheapest[t, n]:.6f}", 200, "v1", day=day))
            rows.append(offer(f"p{n}", f"{cheapest[t, n] * 1.15:.6f}", 200, "v2", day=day))
        markets[day] = market(*rows)
    return true, families, quantities, markets


def test_a_history_with_known_truth_is_found() -> None:
    """Level within 0.05 points, shock and exit within 0.05 points in their month and family, drift and season within 0.01 %."""
    true, families, quantities, markets = known_history()
    workspace = inputs(parts=[(f"p{n}", family) for n, family in enumerate(families)])
    built = model(*((f"p{n}", "red", int(q)) for n, q in enumerate(quantities)))
    found = trends(workspace, built, markets)
    cost = true @ quantities
    index = np.array(levels(found))
    np.testing.assert_allclose(index, 100 * cost / cost[0], rtol=0, atol=0.05)
    # 37 months in windows of 25: without gaps every method follows the truth; plain Jevons within its own weights.
    np.testing.assert_allclose([present(level) for level in levels(found, "geks-tornqvist")], index, rtol=0, atol=0.3)
    months = found.index["month"].unique().sort().to_list()
    for month, family, rise in ((SHOCK, "f1", np.exp(0.12) - 1), (EXIT, "f2", 0.15)):
        common = 0.004 + 0.05 * (np.sin(2 * np.pi * month / 12) - np.sin(2 * np.pi * (month - 1) / 12))
        share = (true[month - 1] * quantities)[families == family].sum() / cost[month - 1]
        expected = 100 * share * ((1 + rise) * np.exp(common) - 1)
        assert groups(found, months[month])[family] == pytest.approx(expected, abs=0.05)
    # A year apart the season cancels out, and what is left before the shock is the drift.
    assert np.log(index[12] / index[0]) == pytest.approx(12 * 0.004, abs=1e-4)
    high, low = months.index("2025-04"), months.index("2025-10")
    assert np.log(index[high] / index[low]) + 0.004 * (low - high) == pytest.approx(0.05 * 2, abs=1e-4)
