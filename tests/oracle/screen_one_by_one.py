"""The screen of suspect prices in plain Python: every price on its own, compared with all others, as the rules are stated.

It shares the constants and the names of likely causes with the screen, and nothing of how it works them out.
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Mapping
from datetime import date
from typing import Any

from pipelines.trends.prices.suspects import (
    FEWEST_RIVALS,
    HB_CUTOFF,
    LONE_FACTOR,
    MARKET_SPREAD,
    OWN_SPREAD,
    QUARTILE_CUTOFF,
    SMALLEST_GROUP,
)

STEP = (
    "vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity", "currency_code",
)  # fmt: skip
ELEMENT = ("part_code", "colour_code", "condition")
Rates = Mapping[tuple[date, str], float]


def suspects_one_by_one(
    history: list[dict[str, Any]], families: Mapping[str, str], rates: Rates
) -> dict[tuple[Any, ...], dict[str, Any]]:
    """Suspect prices by step (STEP) and the day they came up on, with what they were compared with.

    Args:
        history: the rows of price_history.
        families: part_code to part_family.
        rates: what a unit of a currency is worth on a day, where it is known.
    """
    new = _new_prices(history)
    unusual = _standing_out([price for price in new if price["own_ratio"]], families, rates)
    found = {}
    for price in new:
        key = tuple(price[name] for name in (*STEP, "valid_from_on"))
        if price["own_ratio"] is None or key in unusual:
            answer = _against_market(price, history, rates)
            if answer is not None:
                found[key] = {**answer, "own_price": price["own_price"], "own_ratio": price["own_ratio"]}
    return found


def _new_prices(history: list[dict[str, Any]]) -> list[dict[str, Any]]:
    steps = defaultdict(list)
    for row in sorted(history, key=lambda row: row["valid_from_on"]):
        steps[tuple(row[name] for name in STEP)].append(row)
    found = []
    for rows in steps.values():
        prices: list[float] = []
        for row in rows:
            price = float(row["unit_price"])
            if prices and prices[-1] == price:
                continue
            own = statistics.median(prices[-5:]) if prices else None
            found.append({**row, "own_price": own, "own_ratio": price / own if own else None})
            prices.append(price)
    return found


def _standing_out(changes: list[dict[str, Any]], families: Mapping[str, str], rates: Rates) -> set[tuple[Any, ...]]:
    by_family = defaultdict(list)
    for change in changes:
        by_family[change["valid_from_on"], families.get(change["part_code"])].append(change)
    groups: dict[tuple[date, str], list[dict[str, Any]]] = defaultdict(list)
    for (day, family), rows in by_family.items():
        groups[day, (family or "") if len(rows) >= SMALLEST_GROUP else ""] += rows
    found = set()
    for rows in groups.values():
        logs = [math.log(row["own_ratio"]) for row in rows]
        if len(rows) < SMALLEST_GROUP:
            is_out = [abs(log) > QUARTILE_CUTOFF * OWN_SPREAD for log in logs]
        else:
            usual = statistics.median(row["own_ratio"] for row in rows)
            effects = [_effect(row, usual, rates) for row in rows]
            is_out = [
                far and odd
                for far, odd in zip(
                    _outside(logs, QUARTILE_CUTOFF, OWN_SPREAD), _outside(effects, HB_CUTOFF, None), strict=True
                )
            ]
        found |= {
            tuple(row[name] for name in (*STEP, "valid_from_on")) for row, out in zip(rows, is_out, strict=True) if out
        }
    return found


def _effect(row: dict[str, Any], usual: float, rates: Rates) -> float:
    ratio = row["own_ratio"]
    distance: float = 1 - usual / ratio if ratio < usual else ratio / usual - 1
    worth = rates.get((row["valid_from_on"], row["currency_code"]), 1.0)
    return distance * math.sqrt(max(row["own_price"], float(row["unit_price"])) * worth)


def _outside(values: list[float], cutoff: float, spread: float | None) -> list[bool]:
    first, median, third = statistics.quantiles(values, n=4, method="inclusive")
    least = abs(0.05 * median) if spread is None else spread
    low, high = median - cutoff * max(median - first, least), median + cutoff * max(third - median, least)
    return [value < low or value > high for value in values]


def _against_market(price: dict[str, Any], history: list[dict[str, Any]], rates: Rates) -> dict[str, Any] | None:
    day = price["valid_from_on"]
    listings: dict[tuple[str, ...], dict[str, Any]] = {}
    for row in history:
        is_there = row["valid_from_on"] <= day and (row["valid_to_on"] is None or row["valid_to_on"] > day)
        is_other = row["vendor_code"] != price["vendor_code"]
        if is_there and is_other and all(row[name] == price[name] for name in ELEMENT):
            listing = row["vendor_code"], row["listing_code"], row["currency_code"]
            if listing not in listings or row["step_from_quantity"] < listings[listing]["step_from_quantity"]:
                listings[listing] = row
    vendors: dict[str, float] = {}
    for (vendor, *_), row in listings.items():
        rate = rates.get((day, row["currency_code"]))
        if rate is not None:
            log = math.log(float(row["unit_price"]) * rate)
            vendors[vendor] = min(log, vendors.get(vendor, log))
    own, rate = price["own_ratio"], rates.get((day, price["currency_code"]))
    answer = {"rival_vendor_count": len(vendors), "market_price": None, "market_ratio": None}
    if len(vendors) < FEWEST_RIVALS or rate is None:
        return answer if own and abs(math.log(own)) > math.log(LONE_FACTOR) else None
    first, median, third = statistics.quantiles(vendors.values(), n=4, method="inclusive")
    log = math.log(float(price["unit_price"]) * rate)
    low = median - QUARTILE_CUTOFF * max(median - first, MARKET_SPREAD)
    high = median + QUARTILE_CUTOFF * max(third - median, MARKET_SPREAD)
    if low <= log <= high or (own is None and abs(log - median) <= math.log(LONE_FACTOR)):
        return None
    return {**answer, "market_price": math.exp(median) / rate, "market_ratio": math.exp(log - median)}
