"""When to buy: how today compares with past months, what season there is, and where prices may go.

The complete cost is what a buyer would pay. A plan may not be the best possible: the true cost lies between its lower bound
and its cost. So the share of cheaper months is a range. The price index is exact, but it is the price of the list alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.trends.months import month_before, month_of
from pipelines.trends.outlook.accuracy_test import holm
from pipelines.trends.outlook.forecast import Forecast, forecast
from pipelines.trends.outlook.forecast_trials import (
    BENCHMARKS,
    LEAST_HISTORY,
    LEAST_MONTHS_TO_TEST,
    LEVEL,
    SIGNIFICANCE,
    Trial,
    rolling_origin,
)
from pipelines.trends.outlook.seasonal import decompose
from schemas.contract import Contract
from schemas.published.over_time import BUYING_TIME, FORECAST_TRIAL, PRICE_FORECAST, SEASONAL_PATTERN
from schemas.validate import polars_schema, validate_typed

HEADLINE_SCENARIO = "cheapest"
HEADLINE_METHOD = "lowe"
NOT_BETTER = "none has been better, by more than luck, than 'same as last month', 'the mean change goes on' and 'same as in that month last year'"


@dataclass(frozen=True)
class Point:
    """A month's value, and the least that it may really be."""

    month: str
    value: float
    least: float


@dataclass(frozen=True)
class _Series:
    """An index to look ahead from: its latest months without a gap, why today's may not be shown, and the trials."""

    key: dict[str, str]
    run: list[Point]
    reason: str
    made: Forecast | None
    trial: Trial

    @property
    def is_tested(self) -> bool:
        return self.trial.is_long_enough and not self.reason


def buying_time(
    inputs: WorkspaceInputs, model_cost: pl.DataFrame, price_index: pl.DataFrame, day: date
) -> dict[str, pl.DataFrame]:
    """The tables buying_time, seasonal_pattern, forecast_trial and price_forecast of the priced date.

    With many models some forecast beats the benchmarks by luck. So the p-values of all indices that are tested on the date are
    corrected together (:func:`~pipelines.trends.outlook.accuracy_test.holm`).

    Args:
        inputs: gives the models, buyers and the coverage floor.
        model_cost: contract MODEL_COST, of the month ends and the priced date.
        price_index: contract PRICE_INDEX.
        day: the priced date.
    """
    floor = inputs.settings.report.coverage_floor
    rows: dict[str, list[dict[str, Any]]] = {
        c.name: [] for c in (BUYING_TIME, SEASONAL_PATTERN, FORECAST_TRIAL, PRICE_FORECAST)
    }
    costs = model_cost.filter(pl.col("scenario_code") == HEADLINE_SCENARIO).sort("priced_on")
    indices = price_index.filter(pl.col("index_method") == HEADLINE_METHOD).sort("month")
    series: list[_Series] = []
    for model in inputs.models:
        for buyer in inputs.settings.buyer:
            key = {"model_code": model.model_code, "buyer_code": buyer.buyer_code}
            mine = [pl.col(name) == value for name, value in key.items()]
            cost_rows, index_rows = costs.filter(*mine).to_dicts(), indices.filter(*mine).to_dicts()
            if cost_rows:
                points, reason = _cost_points(cost_rows, day, floor)
                rows["buying_time"].append(key | {"buying_measure": "complete_cost"} | standing(points, day, reason))
            if index_rows:
                points, reason = _index_points(index_rows, day, floor)
                rows["buying_time"].append(key | {"buying_measure": "price_index"} | standing(points, day, reason))
                if run := _unbroken(points):
                    series.append(_tried(run, reason, key))
                    rows["seasonal_pattern"] += _season_rows(run, key)
    tested = [one for one in series if one.is_tested]
    corrected = {id(one): p for one, p in zip(tested, holm([one.trial.p_value for one in tested]), strict=True)}
    for one in series:
        _report(one, corrected.get(id(one)), len(tested), rows)
    return {
        contract.name: _frame(contract, rows[contract.name])
        for contract in (BUYING_TIME, SEASONAL_PATTERN, FORECAST_TRIAL, PRICE_FORECAST)
    }


def standing(points: Sequence[Point], day: date, reason: str) -> dict[str, Any]:
    """Columns of BUYING_TIME but its key: today against the earlier months, one point per month at most.

    The lowest month is named where its value lies below all others' least. A month was surely cheaper if its value lies below today's least. It may have been cheaper if its least lies below today's
    value. Months of exactly the same cost count half.
    """
    today = month_of(day)
    now = next((point for point in points if point.month == today), None)
    past = [point for point in points if point.month < today]
    columns: dict[str, Any] = {"past_month_count": len(past), "withheld_reason": reason}
    if reason or now is None:
        return columns | {"withheld_reason": reason or "there is no figure for the priced date"}
    columns |= {"measure_now": now.value, "measure_least": now.least}
    if past:
        columns["cheaper_share_low"] = _share([(point.value, now.least) for point in past])
        columns["cheaper_share_high"] = _share([(point.least, now.value) for point in past])
    recent = [point for point in past if point.month >= month_before(today, 12)]
    if recent:
        low, high = min(point.least for point in recent), min(point.value for point in recent)
        proven = [point for point in recent if all(point.value < other.least for other in recent if other is not point)]
        columns |= {
            "lowest_12_months": high,
            "lowest_12_months_least": low,
            "lowest_month": proven[0].month if proven else None,
        }
        if low:  # 0 where stock on hand was enough; nothing is a per cent above that
            columns["above_lowest_low_pct"] = 100 * (now.least / high - 1)
            columns["above_lowest_high_pct"] = 100 * (now.value / low - 1)
    return columns


def _share(pairs: Sequence[tuple[float, float]]) -> float:
    return sum(1.0 if one < other else 0.5 if one == other else 0.0 for one, other in pairs) / len(pairs)


def _cost_points(rows: list[dict[str, Any]], day: date, floor: float) -> tuple[list[Point], str]:
    """Costs that may be shown, the latest of each month, and why today's may not be."""
    points: dict[str, Point] = {}
    reason = ""
    for row in rows:
        why = _why_no_cost(row, floor)
        if not why:
            least = float(row["lower_bound"]) + float(row["unfilled_estimate"])
            month = month_of(row["priced_on"])
            points[month] = Point(month, float(row["complete_cost"]), min(least, float(row["complete_cost"])))
        elif row["priced_on"] == day:
            reason = why
    return list(points.values()), reason


def _why_no_cost(row: dict[str, Any], floor: float) -> str:
    if row["plan_status"] == "refused":
        return "the plan failed a check"
    missing, pieces = row["unfilled_estimate_count"], row["piece_count"]
    if pieces and 1 - missing / pieces < floor:
        return f"only {100 * (1 - missing / pieces):.1f} % of the pieces have any price; the floor is {100 * floor:g} %"
    if missing:
        return f"{missing} of {pieces} pieces have no price at all, so the cost is too low by an unknown amount"
    return ""


def _index_points(rows: list[dict[str, Any]], day: date, floor: float) -> tuple[list[Point], str]:
    shown = [row for row in rows if not row["is_withheld"] and row["index_level"] is not None]
    reason = next(
        (
            f"only {100 * row['coverage_share']:.1f} % of the list by cost has a price of its own; the floor is {100 * floor:g} %"
            for row in rows
            if row["month"] == month_of(day) and row["is_withheld"]
        ),
        "",
    )
    return [Point(row["month"], row["index_level"], row["index_level"]) for row in shown], reason


def _season_rows(run: list[Point], key: dict[str, str]) -> list[dict[str, Any]]:
    """Rows of SEASONAL_PATTERN, none from too short a run."""
    season = decompose(np.log([point.value for point in run]), int(run[0].month[5:]))
    if season is None:
        return []
    return [
        key
        | {
            "month_of_year": month + 1,
            "seasonal_pct": 100 * np.expm1(season.by_month[month]),
            "seasonal_low_pct": 100 * np.expm1(season.low[month]),
            "seasonal_high_pct": 100 * np.expm1(season.high[month]),
            "year_count": int(season.year_count[month]),
            "seasonal_strength": season.strength,
        }
        for month in range(12)
    ]


def _tried(run: list[Point], reason: str, key: dict[str, str]) -> _Series:
    levels, first = np.array([point.value for point in run]), int(run[0].month[5:])
    made = forecast(levels, first) if len(levels) > LEAST_HISTORY else None
    return _Series(key, run, reason, made, rolling_origin(levels, first))


def _report(one: _Series, corrected: float | None, tested_count: int, rows: dict[str, list[dict[str, Any]]]) -> None:
    """Add the row of FORECAST_TRIAL, and those of PRICE_FORECAST if the forecast is earned.

    Args:
        one: an index.
        corrected: its p-value, corrected for the tests of all ``tested_count`` indices; None if it was not tested.
        tested_count: how many indices were tested.
        rows: rows by table, added to.
    """
    trial, made = one.trial, one.made
    withheld = one.reason or _why_no_forecast(trial, corrected)
    rows["forecast_trial"].append(
        one.key
        | {
            "forecast_method": made.method if made else "theta",
            "origin_count": trial.origin_count,
            "forecast_error_pct": _percent(trial.error),
            **{f"{name}_error_pct": _percent(trial.benchmark_error(name)) for name in BENCHMARKS},
            "forecast_p_value": None if corrected is None else trial.p_value,
            "corrected_p_value": corrected,
            "tested_series_count": tested_count,
            "interval_coverage_share": None if np.isnan(trial.coverage) else trial.coverage,
            "is_forecast_shown": not withheld,
            "withheld_reason": withheld,
        }
    )
    if made is not None and not withheld:
        spread = np.exp(trial.half_widths())
        rows["price_forecast"] += [
            one.key
            | {
                "month": month_before(one.run[-1].month, -ahead),
                "forecast_method": made.method,
                "forecast_level": made.levels[ahead - 1],
                "forecast_low": made.levels[ahead - 1] / spread[ahead - 1],
                "forecast_high": made.levels[ahead - 1] * spread[ahead - 1],
            }
            for ahead in range(1, len(made.levels) + 1)
        ]


def _unbroken(points: Sequence[Point]) -> list[Point]:
    """The latest months that follow each other without a gap."""
    run: list[Point] = []
    for point in points:
        if run and month_before(point.month) != run[-1].month:
            run = []
        run.append(point)
    return run


def _percent(log_error: float) -> float | None:
    return None if np.isnan(log_error) else 100 * float(np.expm1(log_error))


def _why_no_forecast(trial: Trial, corrected: float | None) -> str:
    """Why none is shown; empty where it is earned."""
    if corrected is None:
        return f"the past is too short to test one, which takes {LEAST_MONTHS_TO_TEST} months without a gap"
    if corrected > SIGNIFICANCE:
        return NOT_BETTER
    if trial.is_coverage_too_low:
        return f"only {100 * trial.coverage:.0f} % of past months lay inside its intervals, clearly less than {100 * LEVEL:g} %"
    return ""


def _frame(contract: Contract, rows: list[dict[str, Any]]) -> pl.DataFrame:
    schema = polars_schema(contract)
    filled = [{name: row.get(name, contract.optional.get(name)) for name in schema} for row in rows]
    frame = pl.DataFrame(filled, schema).sort(contract.key)
    return validate_typed(contract, frame, where=contract.name)
