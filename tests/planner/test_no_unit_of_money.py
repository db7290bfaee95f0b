"""What a plan costs depends on no currency, no order of rows, no name, and on nobody who is not needed."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.errors import PlanRefusedError
from pipelines.planner import solve
from pipelines.planner.statement.problem import Problem
from tests.benchmarks.market_generator import Market, random_problem
from tests.builders.length import examples
from tests.builders.scaled_money import in_another_currency, shuffled, with_idle_vendor, with_money_times
from tests.oracle.random_problems import problems
from tests.planner.test_solve import QUIET, penalties_of, unfilled_count

FACTORS = [Decimal(text) for text in ("0.01", "0.37", "100", "160", "30000", "1000000")]

RULED = Market(
    line_count=25, piece_count=200, colour_count=6, vendor_count=14, offers_per_vendor=(10, 25), rule_share=1.0
)

Planned = tuple[int, Fraction, Fraction, bool] | None
"""Pieces unfilled, cost and bound with the penalties of the plan's orders, whether proven; None where there is no plan."""


def planned(problem: Problem, effort: str = "standard") -> Planned:
    try:
        found = solve.solve(problem, effort)
    except PlanRefusedError as error:
        assert "forced vendor" in str(error), error
        return None
    penalties = penalties_of(problem, found)
    return unfilled_count(found), found.cost + penalties, found.lower_bound + penalties, found.is_proven


def assert_the_same(first: Planned, second: Planned, factor: Decimal = Decimal(1)) -> None:
    """Equal where both are proven; elsewhere neither plan is below the other's bound."""
    if first is None or second is None:
        assert first is second
        return
    (unfilled, cost, bound, is_proven), (other_unfilled, other_cost, other_bound, other_is_proven) = first, second
    cost, bound = cost * Fraction(factor), bound * Fraction(factor)
    if is_proven and other_is_proven:
        assert unfilled == other_unfilled
        assert abs(cost - other_cost) <= cost / 10**6
    elif unfilled == other_unfilled:
        assert bound <= other_cost and other_bound <= cost


@settings(max_examples=examples(20, 2000), **QUIET)
@given(problems(), st.sampled_from(FACTORS), st.integers(0, 10**6))
def test_small_markets(problem: Any, factor: Decimal, seed: int) -> None:
    usual = planned(problem)
    assert_the_same(usual, planned(with_money_times(problem, factor)), factor)
    assert_the_same(usual, planned(in_another_currency(problem, factor)))
    assert_the_same(usual, planned(shuffled(problem, seed)))
    if usual is not None and usual[0] == 0:  # else the idle vendor may have what is missing
        assert_the_same(usual, planned(with_idle_vendor(problem)))


@pytest.mark.parametrize("seed", range(1, examples(2, 40) + 1))
def test_markets_in_which_every_vendor_has_rules(seed: int) -> None:
    problem = random_problem(seed, RULED)
    usual = planned(problem)
    assert usual is not None and usual[1] - usual[2] < usual[1] / 50
    factor = FACTORS[seed % len(FACTORS)]
    for other, times in (
        (with_money_times(problem, factor), factor),
        (in_another_currency(problem, factor), Decimal(1)),
        (shuffled(problem, seed), Decimal(1)),
        (with_idle_vendor(problem), Decimal(1)),
    ):
        found = planned(other)
        assert_the_same(usual, found, times)
        assert found is not None and found[1] - found[2] < found[1] / 50


@pytest.mark.parametrize("factor", [Decimal(10) ** 9, Decimal("0.001")])
def test_prices_of_a_thousand_million_and_of_a_thousandth(factor: Decimal) -> None:
    problem = random_problem(1, RULED)
    assert_the_same(planned(problem), planned(with_money_times(problem, factor)), factor)


def test_an_offer_too_dear_for_whole_numbers_is_in_no_plan() -> None:
    problem = random_problem(1, RULED)
    usual = planned(problem)
    first = pl.col("offer_index") == 0
    offers = problem.offers.with_columns(
        quantity_available=pl.when(first).then(10**9).otherwise("quantity_available"),
        step_kind=pl.when(first).then(pl.lit("incremental")).otherwise("step_kind"),
    )
    dear = pl.DataFrame(
        {
            "offer_index": [0, 0],
            "step_from_quantity": [1, 10**8],
            "unit_price": pl.Series([10**12 - 1, 10**11], dtype=pl.Decimal(18, 6)),
        }
    )
    others = problem.offer_steps.filter(~first)
    found = planned(replace(problem, offers=offers, offer_steps=pl.concat([dear, others])))
    without = planned(replace(problem, uses=problem.uses.filter(~first)))
    assert usual is not None and found is not None and usual[1] <= found[1]
    assert_the_same(without, found)
