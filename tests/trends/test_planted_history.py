"""A history with known truth: what is planted in five years of prices is what the tables of a night say, within stated tolerances.

Planted: all prices drift by 0.4 % a month and follow a season of 4 % that peaks in December; in one month the family ``frames`` costs a fifth
more; a vendor that sold a third of the elements at nine tenths of the others' prices is gone in the last month; one element's stock falls
by a fifth a month.
"""

import re
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.costing.goods_factors import goods_factors
from pipelines.insight.over_time.buying_time import buying_time
from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.month.model_report import model_report
from pipelines.trends.outlook.availability import availability
from pipelines.trends.outlook.price_changes import price_change_distribution, vendor_changes
from schemas.inputs.price_files import PRICE_SUMMARY
from schemas.published.plans import MODEL_COST
from schemas.validate import polars_schema
from tests.builders.trend_markets import HOME, inputs, market, model, month_ends, offer, price_trends, table
from tests.present import present

MONTHS = 60
DAYS = month_ends(date(2021, 12, 1), MONTHS)
NOW = DAYS[-1]
DRIFT, SEASON, SHOCK, SHOCK_MONTH = 0.004, 0.04, 0.2, 30
FAMILIES = ("frames", "bricks", "plates")
PARTS = [(f"{family}{n}", family) for family in FAMILIES for n in range(8)]
LEAVING = {part for part, _ in PARTS[::3]}
SELLING = "plates1"


def truth(step: int) -> float:
    """The level of all prices; the first month is a December."""
    found: float = np.exp(DRIFT * step + SEASON * np.cos(2 * np.pi * step / 12))
    return found


def market_of(step: int) -> pl.DataFrame:
    """Prices of a month, each element with a wobble of its own of half a per cent."""
    chance = np.random.default_rng(step)
    offers = []
    for number, (part, family) in enumerate(PARTS):
        price = (0.1 + 0.01 * number) * truth(step) * np.exp(chance.normal(0, 0.005))
        if family == "frames" and step == SHOCK_MONTH:
            price *= 1 + SHOCK
        stock = round(26_000_000 * 0.8**step) if part == SELLING else 5000
        offers.append(offer(part, round(price, 6), stock, "stays", day=DAYS[step]))
        if part in LEAVING and step < MONTHS - 1:
            offers.append(offer(part, round(0.9 * price, 6), 5000, "leaves", day=DAYS[step]))
    return market(*offers)


def cost_of(day: date) -> pl.DataFrame:
    """A plan of the date, so that the report has a today; what it costs is not what is planted."""
    schema = polars_schema(MODEL_COST)
    known = {
        "priced_on": day, "model_code": "tower", "scenario_code": "cheapest", "buyer_code": "home", "plan_status": "proven",
        "currency_code": "EUR", "complete_cost": Decimal(100), "landed_cost": Decimal(100), "lower_bound": Decimal(100),
        "piece_count": 480,
    }  # fmt: skip
    blank: dict[Any, Any] = {pl.String: "", pl.Boolean: False, pl.Date: None}
    row = {
        name: known.get(name, blank.get(kind, Decimal(0) if isinstance(kind, pl.Decimal) else 0))
        for name, kind in schema.items()
    }
    return pl.DataFrame([row], schema)


@pytest.fixture(scope="module")
def found() -> dict[str, Any]:
    tower = model(*((part, "red", 20) for part, _ in PARTS), publish_lines="all")
    night = replace(inputs(terms=("stays", "leaves"), parts=PARTS), models=(tower,))
    markets = {day: market_of(step) for step, day in enumerate(DAYS)}
    index, lines = price_trends(night, tower, HOME, markets)
    factors = goods_factors(night, markets)
    looked = availability(night, markets, markets[NOW], table(PRICE_SUMMARY, []), factors)
    timing = buying_time(night, cost_of(NOW), index, NOW)
    published = {
        "model_cost": cost_of(NOW), "price_index": index, "element_price": lines,
        "price_change_distribution": price_change_distribution(lines), "element_availability": looked.elements,
        "model_availability": looked.models, **timing,
    }  # fmt: skip
    facts = PageData(published, night)
    return {
        "reports": {
            step: present(model_report(facts, facts.models[0], f"{DAYS[step]:%Y-%m}"))["sections"][0]
            for step in (SHOCK_MONTH, MONTHS - 1)
        },
        "index": index.filter(index_method="lowe").sort("month"),
        "lines": lines,
        "moves": vendor_changes(night, DAYS[-2], markets[DAYS[-2]], NOW, markets[NOW], factors).to_dicts(),
        "elements": {row["part_code"]: row for row in looked.elements.to_dicts()},
        "spread": price_change_distribution(lines),
        **timing,
    }


def test_the_season_is_found_within_half_a_point(found: dict[str, Any]) -> None:
    rows = found["seasonal_pattern"].sort("month_of_year")
    wave = [100 * np.expm1(SEASON * np.cos(2 * np.pi * month / 12)) for month in range(1, 13)]
    # June has the shock in one of its years; it bends the moving average of the months around it a little.
    for month in (1, 2, 3, 4, 5, 7, 8, 9, 10, 11, 12):
        assert rows["seasonal_pct"][month - 1] == pytest.approx(wave[month - 1], abs=0.5), month
    assert rows.sort("seasonal_pct")["month_of_year"][-1] == 12


def test_the_drift_is_found_within_a_tenth_of_it(found: dict[str, Any]) -> None:
    """Twelve months apart the season cancels; the leaving vendor touches only the last month and the shock two of them."""
    changes = found["index"]["change_12_months_pct"].to_numpy()
    clean = [n for n in range(12, MONTHS - 1) if SHOCK_MONTH not in (n, n - 12)]
    assert np.mean(changes[clean]) == pytest.approx(100 * np.expm1(12 * DRIFT), rel=0.1)


def test_the_shock_is_in_its_month_in_its_size_and_gone_after_it(found: dict[str, Any]) -> None:
    one_month = found["index"]["change_1_month_pct"].to_numpy()
    # In the last month the vendor's leaving moves more.
    assert np.nanargmax(one_month[:-1]) == SHOCK_MONTH and np.nanargmin(one_month) == SHOCK_MONTH + 1
    month = f"{DAYS[SHOCK_MONTH]:%Y-%m}"
    before = found["lines"].filter(month=f"{DAYS[SHOCK_MONTH - 1]:%Y-%m}")
    weight = before.filter(before["part_code"].str.starts_with("frames"))
    share = (weight["element_price"] * weight["quantity"]).sum() / (before["element_price"] * before["quantity"]).sum()
    usual = truth(SHOCK_MONTH) / truth(SHOCK_MONTH - 1)
    assert one_month[SHOCK_MONTH] == pytest.approx(100 * (usual * (1 + SHOCK * share) - 1), abs=0.5)
    spread = found["spread"].filter(month=month, change_month_count=1).row(0, named=True)
    assert spread["change_p90_pct"] > 15 and abs(spread["change_p50_pct"]) < 3, "a third moved, the median did not"


def test_the_vendor_that_left_is_named_with_what_it_cost(found: dict[str, Any]) -> None:
    (move,) = [row for row in found["moves"] if row["vendor_code"] == "leaves"]
    assert move["moved_element_count"] == len(LEAVING)
    # A third of the elements, by cost, rises by a ninth; the others are as they are.
    prices = {part: 0.1 + 0.01 * number for number, (part, _) in enumerate(PARTS)}
    gone = sum(prices[part] for part in LEAVING)
    expected = 100 * (0.1 * gone) / (sum(prices.values()) - 0.1 * gone)
    # The earlier offers are a month older: they lack that month's drift and season as well.
    month = truth(MONTHS - 1) / truth(MONTHS - 2) - 1
    assert move["vendor_effect_pct"] == pytest.approx(expected + 100 * month * gone / sum(prices.values()), abs=0.4)


def test_the_element_that_sells_out_is_the_only_one_running_out(found: dict[str, Any]) -> None:
    going = [part for part, row in found["elements"].items() if row["is_running_out"]]
    assert going == [SELLING]
    row = found["elements"][SELLING]
    assert row["piece_trend_low_pct"] <= row["piece_trend_pct"] <= row["piece_trend_high_pct"] < 0


def test_a_forecast_is_worth_it_and_near_the_truth(found: dict[str, Any]) -> None:
    trial = found["forecast_trial"].row(0, named=True)
    errors = ("naive_error_pct", "drift_error_pct", "seasonal_naive_error_pct")
    assert trial["is_forecast_shown"] and trial["forecast_error_pct"] < min(trial[name] for name in errors)
    assert trial["corrected_p_value"] <= 0.05 and trial["interval_coverage_share"] > 0.7
    ahead = found["price_forecast"].sort("month")
    level_now = found["index"]["index_level"][-1]
    for step, (level, low, high) in enumerate(
        ahead.select("forecast_level", "forecast_low", "forecast_high").iter_rows(), 1
    ):
        expected = level_now * truth(MONTHS - 1 + step) / truth(MONTHS - 1)
        assert low <= expected <= high
        assert level == pytest.approx(expected, rel=0.04)


def percents(words: str) -> list[float]:
    """The percentages in a sentence."""
    return [float(text.replace("−", "-")) for text in re.findall(r"([+−]?[\d.]+) %", words)]


def test_the_report_states_drift_and_season(found: dict[str, Any]) -> None:
    section = found["reports"][MONTHS - 1]
    (season,) = [words for words in section["timing"]["words"] if "season" in words]
    assert re.search("usually lowest in (June|July)", season) and "highest in December" in season
    low, high, explained = percents(season)
    assert (
        explained > 90
        and low == pytest.approx(-100 * np.expm1(SEASON), abs=1)
        and high == pytest.approx(100 * np.expm1(SEASON), abs=0.5)
    )
    assert len(section["timing"]["forecast"].rows) == 3
    (earned,) = [words for words in section["timing"]["words"] if words.startswith("Forecast by the Theta method")]
    assert "better than all three" in earned and "'the mean change goes on'" in earned
    assert percents(earned)[-2:] == [
        pytest.approx(100 * found["forecast_trial"]["interval_coverage_share"][0], abs=0.5),
        80,
    ]
    earlier = {item["label"]: item for item in found["reports"][SHOCK_MONTH]["strip"]}
    # In the month of the shock a year's change is a year's drift and the shock of a third of the list.
    assert percents(earlier["Prices, 1 month"]["note"])[0] > 100 * np.expm1(12 * DRIFT)


def test_the_report_names_the_family_of_the_shock(found: dict[str, Any]) -> None:
    section = found["reports"][SHOCK_MONTH]
    largest = [row[0] for row in section["movers"].rows[:5]]
    assert all(name.startswith("frames") for name in largest), largest
    _, *percentiles = (float(cell.replace("−", "-")) for cell in section["spread"].figures.rows[0][1:])
    assert percentiles[-1] > 15 and abs(percentiles[1]) < 3, "a tenth moved by the shock, the median did not"


def test_the_report_names_the_element_that_runs_out_and_no_other(found: dict[str, Any]) -> None:
    section = found["reports"][MONTHS - 1]["availability"]
    assert [row[0] for row in section["running_out"].rows] == [f"{SELLING}, red"]
