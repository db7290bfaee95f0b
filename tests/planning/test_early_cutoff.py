"""A plan that was kept on one date stands on another where nothing that shapes it differs, and then equals a new one."""

import random
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.planning.estimates import MAXIMUM_AGE_DAYS
from pipelines.planning.night import plan_night
from tests.builders.markets import DAY, line, make_market, make_model, make_summaries, offer
from tests.planning.test_night import COMBINATION, HOUSE, MARKET, MILL, same, solved, workspace

__all__ = ["solved"]
LATER = DAY + timedelta(days=3)


def night(folder: Path, day: date, market: Any, inputs: Any = None, seen: Any = None, summaries: Any = None) -> Any:
    """The plans of one date."""
    known = make_summaries() if summaries is None else summaries
    return plan_night(
        workspace() if inputs is None else inputs,
        {day: market},
        {day: market if seen is None else seen},
        {day: known},
        day,
        folder,
    )


def confirmed(on: date, market: Any = MARKET) -> Any:
    return market.with_columns(
        pl.lit(on).alias("last_confirmed_on"),
        pl.lit(on).alias("confirmed_from_on"),
        pl.lit(date(2026, 1, 1)).alias("valid_from_on"),
    )


def test_a_later_date_with_the_same_content_plans_nothing_and_shows_its_own_dates(
    tmp_path: Path, solved: list[str]
) -> None:
    night(tmp_path / "kept", DAY, confirmed(DAY))
    solved.clear()
    later = confirmed(LATER).with_columns(
        pl.when(pl.col("vendor_code") == "a").then(DAY).otherwise(LATER).alias("last_confirmed_on")
    )
    found = night(tmp_path / "kept", LATER, later)
    assert not solved
    assert same(found, night(tmp_path / "empty", LATER, later)) and solved
    costs = found["model_cost"]
    assert set(costs["priced_on"]) == {LATER} and set(costs["oldest_offer_on"].drop_nulls()) == {DAY, LATER}


WITH_COMBINATION = workspace(combinations=[{**COMBINATION, "valid_from_on": LATER}])
HUNGRY = workspace(models=(make_model([line(1, "brick", "red", 4), line(2, "tile", "grey", 2)]),))
SEEN = make_market(offer("a", "brick", "red", "0.50"), offer("b", "tile", "grey", "0.30"))
OLD = DAY - timedelta(days=MAXIMUM_AGE_DAYS)
AVERAGE = {"source_code": "s", "part_code": "tile", "colour_code": "grey", "condition": "new", "observed_on": OLD,
           "currency_code": "EUR", "average_price": "0.20"}  # fmt: skip
CHANGES: dict[str, dict[str, Any]] = {
    "a combination begins": {"inputs": WITH_COMBINATION},
    "a closure begins": {"inputs": workspace(vendor_closures=[{"vendor_code": "a", "closed_from_on": LATER}])},
    "a last price seen grows too old": {"inputs": HUNGRY, "seen": confirmed(OLD, SEEN)},
    "an average grows too old": {
        "inputs": HUNGRY,
        "seen": confirmed(OLD, MARKET),
        "summaries": make_summaries(AVERAGE),
    },
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_a_date_implies_is_planned_anew(change: str, tmp_path: Path) -> None:
    given = CHANGES[change]
    night(tmp_path / "kept", DAY, confirmed(DAY), **given)
    before = set((tmp_path / "kept").iterdir())
    found = night(tmp_path / "kept", LATER, confirmed(LATER), **given)
    assert set((tmp_path / "kept").iterdir()) > before
    assert same(found, night(tmp_path / "empty", LATER, confirmed(LATER), **given))


@pytest.mark.parametrize("seed", range(2))
def test_random_nights_equal_nights_from_scratch(seed: int, tmp_path: Path, solved: list[str]) -> None:
    """Prices, stocks, confirmations, closures and forms change or return, and dates come in any order."""
    draw = random.Random(seed)
    inputs = workspace(
        models=(MILL, HOUSE),
        vendor_closures=[{"vendor_code": "b", "closed_from_on": DAY + timedelta(days=2), "opens_again_on": LATER}],
        substitutes=[{"part_code": "brick", "substitute_part_code": "tile", "valid_from_on": LATER}],
    )
    made, from_scratch = 0, 0
    for number in range(4):
        day = DAY + timedelta(days=draw.randint(0, 5))
        market = confirmed(day).with_columns(
            pl.Series("unit_price", [Decimal(draw.choice(("0.10", "0.50"))) for _ in range(MARKET.height)]).cast(
                MARKET.schema["unit_price"]
            ),
            pl.Series("last_confirmed_on", [day - timedelta(days=draw.randint(0, 9)) for _ in range(MARKET.height)]),
        )
        solved.clear()
        found = night(tmp_path / "kept", day, market, inputs)
        made += len(solved)
        solved.clear()
        assert same(found, night(tmp_path / f"empty-{number}", day, market, inputs))
        from_scratch += len(solved)
    assert 0 < made < from_scratch
