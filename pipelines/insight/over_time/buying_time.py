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
from pipelines.trends.outlook.forecast import LEAST_HISTORY, LEAST_ORIGINS, forecast, rolling_origin
from pipelines.trends.outlook.seasonal import decompose
from schemas.contract import Contract
from schemas.published.over_time import BUYING_TIME, FORECAST_TRIAL, PRICE_FORECAST, SEASONAL_PATTERN
from schemas.validate import polars_schema, validate_typed

HEADLINE_SCENARIO = "cheapest"
HEADLINE_METHOD = "lowe"


@dataclass(frozen=True)
class Point:
    """A month's value, and the least that it may really be."""

    month: str
    value: float
    least: float


def buying_time(
    inputs: WorkspaceInputs, model_cost: pl.DataFrame, price_index: pl.DataFrame, day: date
) -> dict[str, pl.DataFrame]:
    """The tables buying_time, seasonal_pattern, forecast_trial and price_forecast of the priced date.

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
                _look_ahead(points, reason, key, rows)
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


def _look_ahead(
    points: Sequence[Point], reason: str, key: dict[str, str], rows: dict[str, list[dict[str, Any]]]
) -> None:
    """Add season and forecast, made from the latest unbroken run of months."""
    run = _unbroken(points)
    if not run:
        return
    levels, first = np.array([point.value for point in run]), int(run[0].month[5:])
    season = decompose(np.log(levels), first)
    if season is not None:
        rows["seasonal_pattern"] += [
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
    trial = rolling_origin(levels, first)
    made = forecast(levels, first) if len(levels) > LEAST_HISTORY else None
    is_shown = not reason and made is not None and trial.beats_naive
    rows["forecast_trial"].append(
        key
        | {
            "forecast_method": made.method if made else "theta",
            "origin_count": trial.origin_count,
            "forecast_error_pct": _percent(trial.error),
            "naive_error_pct": _percent(trial.naive_error),
            "is_forecast_shown": is_shown,
            "withheld_reason": "" if is_shown else reason or _why_no_forecast(trial.origin_count),
        }
    )
    if is_shown and made is not None:
        spread = np.exp(trial.half_widths())
        rows["price_forecast"] += [
            key
            | {
                "month": month_before(run[-1].month, -ahead),
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


def _why_no_forecast(origins: int) -> str:
    if origins < LEAST_ORIGINS:
        needed = LEAST_HISTORY + LEAST_ORIGINS
        return f"the past is too short to test one, which takes {needed} months without a gap"
    return "in the past it was hardly closer than 'same as last month', or not at all"


def _frame(contract: Contract, rows: list[dict[str, Any]]) -> pl.DataFrame:
    schema = polars_schema(contract)
    filled = [{name: row.get(name, contract.optional.get(name)) for name in schema} for row in rows]
    frame = pl.DataFrame(filled, schema).sort(contract.key)
    return validate_typed(contract, frame, where=contract.name)
