"""Where today stands in its past, stated as a range where plans are not exact; and figures withheld with their reason."""

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.insight.over_time.buying_time import Point, buying_time, standing
from pipelines.trends.months import month_before
from pipelines.trends.outlook.forecast import HORIZON
from schemas.published.plans import MODEL_COST
from schemas.published.price_index import PRICE_INDEX
from tests.builders.cost_rows import INPUTS, TODAY, cost_row, frame
from tests.trends.outlook.planted_levels import planted


def months(count: int) -> list[str]:
    return [month_before("2026-11", back) for back in reversed(range(count))]


def index_rows(levels: Any, withheld: Any = ()) -> list[dict[str, Any]]:
    return [
        {"model_code": "hut", "buyer_code": "home", "month": month, "index_method": "lowe", "base_month": "2024-01",
         "index_level": None if month in withheld else float(level), "coverage_share": 0.55 if month in withheld else 1.0,
         "is_withheld": month in withheld}
        for month, level in zip(months(len(levels)), levels, strict=True)
    ]  # fmt: skip


def reported(costs: Any = (), indices: Any = ()) -> dict[str, pl.DataFrame]:
    return buying_time(INPUTS, frame(MODEL_COST, costs), frame(PRICE_INDEX, indices), TODAY)


def test_shares_and_the_distance_from_the_low_by_hand() -> None:
    points = [Point(m, v, v) for m, v in zip(months(15), [50, 99, 98, *range(100, 111), 104], strict=True)]
    row = standing(points, TODAY, "")
    # Of 14 earlier months 50, 99, 98, 100, 101, 102, 103 were cheaper and one cost the same, which counts half.
    assert row["cheaper_share_low"] == row["cheaper_share_high"] == pytest.approx(7.5 / 14)
    # The 50 is 14 months ago and counts no more; 98 is 12 months ago and does.
    assert row["lowest_12_months"] == 98 and row["lowest_month"] == "2025-11"
    assert row["above_lowest_low_pct"] == row["above_lowest_high_pct"] == pytest.approx(100 * (104 / 98 - 1))


@pytest.mark.parametrize("now", [0.0, 12.0])
def test_above_a_low_of_nothing_no_per_cent_is_said(now: float) -> None:
    row = standing([Point("2026-10", 0.0, 0.0), Point("2026-11", now, now)], TODAY, "")
    assert row["lowest_12_months"] == 0 and "above_lowest_low_pct" not in row


def test_what_plans_leave_open_becomes_a_range() -> None:
    """Earlier: 90 to 100, 96 to 104, 99.5 to 101; today 95 to 99. Surely cheaper is none, perhaps the first two."""
    costs = [
        cost_row(date(2026, 8, 31), "100", "90"),
        cost_row(date(2026, 9, 30), "104", "96"),
        cost_row(date(2026, 10, 31), "101", "99.5"),
        cost_row(TODAY, "99", "95"),
    ]
    row = reported(costs)["buying_time"].row(0, named=True)
    assert row["cheaper_share_low"] == 0 and row["cheaper_share_high"] == pytest.approx(2 / 3)
    # The lowest of 90 to 100, 96 to 104 and 99.5 to 101 lies between 90 and 100; which month it was is not known.
    assert (row["lowest_12_months_least"], row["lowest_12_months"], row["lowest_month"]) == (90, 100, None)
    assert (row["measure_least"], row["measure_now"]) == (95, 99)
    assert row["above_lowest_low_pct"] == pytest.approx(-5) and row["above_lowest_high_pct"] == pytest.approx(10)


def test_an_estimate_for_missing_pieces_is_in_both_ends() -> None:
    costs = [
        cost_row(date(2026, 10, 31), "100", "80", unfilled_estimate=Decimal(10)),
        cost_row(TODAY, "95"),
    ]
    row = reported(costs)["buying_time"].row(0, named=True)
    assert (row["cheaper_share_low"], row["cheaper_share_high"]) == (0, 1)
    costs[1] = cost_row(TODAY, "89.99")
    assert reported(costs)["buying_time"].row(0, named=True)["cheaper_share_high"] == 0


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"plan_status": "refused"}, "the plan failed a check"),
        ({"unfilled_estimate_count": 30}, "only 70.0 % of the pieces have any price; the floor is 80 %"),
        (
            {"unfilled_estimate_count": 3},
            "3 of 100 pieces have no price at all, so the cost is too low by an unknown amount",
        ),
    ],
)
def test_a_cost_that_may_not_be_shown_is_withheld_with_the_reason(changes: dict[str, Any], reason: str) -> None:
    costs = [cost_row(date(2026, 10, 31), "100"), cost_row(TODAY, "50", **changes)]
    row = reported(costs)["buying_time"].row(0, named=True)
    assert row["withheld_reason"] == reason and row["measure_now"] is None and row["above_lowest_low_pct"] is None
    past = [cost_row(date(2026, 10, 31), "50", **changes), cost_row(TODAY, "100")]
    assert reported(past)["buying_time"].row(0, named=True)["past_month_count"] == 0, "nor is it a past to compare with"


def test_a_withheld_index_has_no_standing_and_no_forecast() -> None:
    rows = reported(indices=index_rows(100 + np.arange(30) * 0.5, withheld=["2026-11"]))
    standing_row = rows["buying_time"].row(0, named=True)
    assert (
        standing_row["withheld_reason"] == "only 55.0 % of the list by cost has a price of its own; the floor is 80 %"
    )
    assert rows["price_forecast"].is_empty()
    assert rows["forecast_trial"]["withheld_reason"].to_list() == [standing_row["withheld_reason"]]


def test_a_season_with_a_drift_is_forecast_with_all_that_its_trials_say() -> None:
    levels = planted(84 + HORIZON, noise=0.004)
    rows = reported(indices=index_rows(levels[:84]))
    trial = rows["forecast_trial"].row(0, named=True)
    assert trial["is_forecast_shown"] and trial["withheld_reason"] == "" and trial["origin_count"] == 46
    assert trial["forecast_p_value"] == trial["corrected_p_value"] < 0.05 and trial["tested_series_count"] == 1
    errors = ("naive_error_pct", "drift_error_pct", "seasonal_naive_error_pct")
    assert trial["forecast_error_pct"] < min(trial[name] for name in errors)
    assert 0.7 < trial["interval_coverage_share"] < 0.95
    ahead = rows["price_forecast"]
    assert ahead["month"].to_list() == ["2026-12", "2027-01", "2027-02"]
    for row, level in zip(ahead.to_dicts(), levels[84:], strict=True):
        assert row["forecast_low"] < row["forecast_level"] < row["forecast_high"]
        assert row["forecast_level"] == pytest.approx(level, rel=0.02)


@pytest.mark.parametrize("growth", [1.0, 1.01], ids=["standstill", "drift"])
def test_what_a_benchmark_forecasts_as_well_is_not_forecast(growth: float) -> None:
    rows = reported(indices=index_rows(100 * growth ** np.arange(50)))
    assert rows["price_forecast"].is_empty()
    reason = rows["forecast_trial"]["withheld_reason"][0]
    assert "'same as last month'" in reason and "'the mean change goes on'" in reason and "luck" in reason


def test_indices_tested_together_are_corrected_together() -> None:
    """One that is earned alone is not beside so many others that its chance is no longer small."""
    own = index_rows(planted(84, noise=0.004))
    alone = reported(indices=own)["forecast_trial"].row(0, named=True)
    others = [
        row | {"model_code": f"other{n:03d}"}
        for n in range(3)
        for row in index_rows(100 * np.exp(np.cumsum(np.random.default_rng(n).normal(0, 0.01, 40))))
    ]
    models = tuple(
        replace(INPUTS.models[0], settings=INPUTS.models[0].settings.model_copy(update={"model_code": code}))
        for code in ("hut", "other000", "other001", "other002")
    )
    found = buying_time(
        replace(INPUTS, models=models), frame(MODEL_COST, []), frame(PRICE_INDEX, [*own, *others]), TODAY
    )["forecast_trial"]
    row = found.filter(model_code="hut").row(0, named=True)
    assert found["tested_series_count"].to_list() == [4] * 4
    assert row["forecast_p_value"] == alone["forecast_p_value"]
    assert row["corrected_p_value"] == pytest.approx(min(1, 4 * alone["forecast_p_value"]))


def test_two_years_are_too_short_to_test_and_the_reason_says_what_it_takes() -> None:
    trial = reported(indices=index_rows(planted(25)))["forecast_trial"].row(0, named=True)
    assert not trial["is_forecast_shown"] and trial["forecast_p_value"] is None and trial["tested_series_count"] == 0
    assert trial["withheld_reason"] == "the past is too short to test one, which takes 38 months without a gap"


def test_a_season_is_reported_from_three_years_on() -> None:
    season = 100 * np.exp(0.03 * np.cos(2 * np.pi * np.arange(48) / 12))
    rows = reported(indices=index_rows(season))["seasonal_pattern"]
    # The series begins in December 2022 with its peak.
    assert rows.sort("seasonal_pct")["month_of_year"][-1] == 12
    assert rows.filter(month_of_year=12)["seasonal_pct"][0] == pytest.approx(100 * np.expm1(0.03), abs=0.05)
    assert rows["seasonal_strength"].unique().to_list() == pytest.approx([1], abs=1e-3)
    assert reported(indices=index_rows(season[:35]))["seasonal_pattern"].is_empty()


def test_a_gap_in_the_past_starts_the_series_anew() -> None:
    rows = reported(indices=index_rows(100 * 1.01 ** np.arange(40), withheld=["2025-11"]))
    assert rows["forecast_trial"]["origin_count"].to_list() == [0]
    assert "the past is too short to test one" in rows["forecast_trial"]["withheld_reason"][0]
    assert rows["buying_time"]["past_month_count"].to_list() == [38]


def test_nothing_at_all_gives_empty_tables() -> None:
    assert all(rows.is_empty() for rows in reported().values())
