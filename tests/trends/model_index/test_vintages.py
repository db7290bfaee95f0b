"""What was published of an index: levels are tied to it, GEKS is never revised, and revisions are listed."""

from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.costing.goods_factors import goods_factors
from pipelines.errors import InputError
from pipelines.intake.workspace import index_vintages
from pipelines.trends.index_numbers.multilateral import geks
from pipelines.trends.index_numbers.panel import Panel
from pipelines.trends.index_numbers.splicing import rolling_index
from pipelines.trends.model_index.monthly import PlansAndVintages, trends_of_models
from pipelines.trends.model_index.vintages import never_revised, new_vintages, published_of, revisions, tied
from schemas.published.price_index import INDEX_REVISION, INDEX_VINTAGE
from schemas.validate import empty_frame, polars_schema
from tests.builders.trend_markets import HOME, inputs, markets_of, model

PATHS = {"a": [1.0, 1.1, 1.2, 1.3, 1.5, 1.4], "b": [2.0, 2.0, 2.5, 2.6, 2.2, 2.0]}
VERSIONS = {"tower": 1}


def published_on(
    day: date,
    known: pl.DataFrame | None = None,
    paths: dict[str, Any] = PATHS,
    months: Any = slice(None),
    versions: Any = None,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """A refresh's index and what it would record: of the markets of the given months."""
    whole = markets_of(paths)
    days = sorted(whole)[months]
    markets = {on: whole[on] for on in days}
    built = model(("a", "red", 10), ("b", "red", 5))
    vintages = empty_frame(INDEX_VINTAGE) if known is None else known
    factors = goods_factors(inputs(), markets)
    index = trends_of_models(inputs(), [built], HOME, markets, factors, PlansAndVintages(vintages=vintages)).index
    return index, new_vintages(index, vintages, versions or VERSIONS, day)


def levels(index: pl.DataFrame, method: str = "lowe") -> dict[str, float]:
    rows = index.filter(pl.col("index_method") == method).sort("month")
    return dict(rows.select("month", "index_level").iter_rows())


def test_months_that_are_over_are_recorded_once() -> None:
    index, first = published_on(date(2025, 3, 20), months=slice(0, 3))
    assert first.schema == polars_schema(INDEX_VINTAGE)
    assert set(first["month"]) == {"2025-01", "2025-02"}  # March is not over
    assert set(first["index_method"]) == set(index["index_method"])
    assert set(first["first_published_base_month"]) == {"2025-01"}
    _, again = published_on(date(2025, 3, 21), first, months=slice(0, 3))
    assert again.is_empty()
    _, second = published_on(date(2025, 4, 1), first, months=slice(0, 4))
    assert set(second["month"]) == {"2025-03"}


def test_levels_do_not_jump_when_the_first_month_leaves() -> None:
    _, known = published_on(date(2025, 5, 2), months=slice(0, 5))
    whole = levels(published_on(date(2025, 6, 2))[0])
    index, _ = published_on(date(2025, 6, 2), known, months=slice(2, 6))
    for method in ("lowe", "jevons", "matched-chain"):
        found = levels(index, method)
        assert found == pytest.approx(
            {month: levels(published_on(date(2025, 6, 2))[0], method)[month] for month in found}
        )
    assert levels(index)["2025-03"] == pytest.approx(whole["2025-03"])
    assert set(index["base_month"]) == {"2025-01"}
    assert revisions(index, known, VERSIONS).is_empty()


def test_a_late_price_revises_the_headline_in_the_open_and_geks_not_at_all() -> None:
    _, known = published_on(date(2025, 5, 2), months=slice(0, 5))
    late = {**PATHS, "a": [1.0, 1.1, 1.25, 1.3, 1.5, 1.4]}
    index, _ = published_on(date(2025, 6, 2), known, late)
    found = revisions(index, known, VERSIONS)
    assert found.schema == polars_schema(INDEX_REVISION)
    months = {(method, month) for method, month in found.select("index_method", "month").iter_rows()}
    # A chain goes by way of March, so its later months differ as well.
    assert months == {
        ("lowe", "2025-03"),
        ("jevons", "2025-03"),
        ("matched-chain", "2025-03"),
        ("matched-chain", "2025-04"),
    }
    row = found.filter(pl.col("index_method") == "lowe").row(0, named=True)
    # A basket of 10 a and 5 b costs 20 in January; a costs 0.05 more in March than was known.
    assert row["revision_points"] == pytest.approx(100 * 0.5 / 20)
    assert row["first_published_level"] + row["revision_points"] == pytest.approx(row["index_level"])
    assert row["revision_reason"] == "prices" and row["first_published_on"] == date(2025, 5, 2)
    was = dict(
        known.filter(pl.col("index_method") == "geks-tornqvist").select("month", "first_published_level").iter_rows()
    )
    now = levels(index, "geks-tornqvist")
    assert {month: now[month] for month in was} == was


def test_another_list_is_named_as_the_reason() -> None:
    _, known = published_on(date(2025, 5, 2), months=slice(0, 5))
    index, _ = published_on(date(2025, 6, 2), known, {**PATHS, "a": [1.0, 1.2, 1.2, 1.3, 1.5, 1.4]})
    assert set(revisions(index, known, {"tower": 2})["revision_reason"]) == {"list"}


def test_a_month_that_is_withheld_now_is_listed_without_a_level() -> None:
    _, known = published_on(date(2025, 5, 2), months=slice(0, 5))
    gone = {"a": [1.0, 1.1, None, 1.3, 1.5, 1.4], "b": [2.0, 2.0, None, 2.6, 2.2, 2.0]}
    index, _ = published_on(date(2025, 6, 2), known, gone)
    found = revisions(index, known, VERSIONS)
    assert set(found.filter(pl.col("index_level").is_null())["month"]) == {"2025-03"}
    assert set(found.filter(pl.col("index_level").is_null())["index_method"]) == set(index["index_method"])
    assert set(found.filter(pl.col("index_level").is_not_null())["index_method"]) <= {"matched-chain"}


def test_new_months_are_joined_to_published_ones_by_the_mean_splice() -> None:
    rng = np.random.default_rng(5)
    panel = Panel(
        tuple(f"{n:02d}" for n in range(1, 9)), tuple("abc"), rng.uniform(1, 2, (8, 3)), rng.uniform(1, 9, (8, 3))
    )
    rolled = 100 * rolling_index(panel, geks, 4, "mean")
    published = dict(zip(panel.months[:6], rolled[:6], strict=True))
    found = never_revised(panel, geks, published, "01", window=4)
    assert found == pytest.approx(rolled, rel=1e-12)
    late = never_revised(panel.only(np.arange(8) >= 3), geks, published, "04", window=4)
    assert late == pytest.approx(rolled[3:], rel=1e-12)


def test_what_nothing_joins_has_no_level() -> None:
    panel = Panel(("1", "2", "3"), ("a",), np.ones((3, 1)), np.ones((3, 1)))
    found = never_revised(panel, geks, {"2": 120.0}, "1")
    assert found == pytest.approx([np.nan, 120, 120], nan_ok=True)
    assert tied(np.array([np.nan, 50.0, 60.0]), panel.months, {"1": 90.0, "2": 100.0}) == pytest.approx(
        [np.nan, 100, 120], nan_ok=True
    )
    assert tied(np.array([50.0]), ("9",), {"1": 90.0}).tolist() == [50.0]


def test_of_several_bases_the_latest_holds() -> None:
    rows = [
        ("tower", "home", month, "lowe", date(2025, 5, 1), level, base, 1)
        for month, level, base in (("2020-01", 100.0, "2019-01"), ("2025-02", 103.0, "2025-01"))
    ]
    known = pl.DataFrame(rows, polars_schema(INDEX_VINTAGE), orient="row")
    found = published_of(known)["tower", "home"]
    assert found.base_month == "2025-01" and found.of("lowe")["2025-02"] == 103 and found.of("jevons") == {}


def test_two_files_about_one_month_are_refused() -> None:
    _, known = published_on(date(2025, 5, 2), months=slice(0, 5))
    assert index_vintages.joined([known.head(3), known.tail(-3)]).equals(known.sort(INDEX_VINTAGE.key))
    with pytest.raises(InputError, match="two files have the level first published for geks-tornqvist, tower"):
        index_vintages.joined([known, known.head(1)])
