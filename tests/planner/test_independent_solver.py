"""The planner against a second program on another solver: markets too large for brute force."""

import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, assume, given, settings

from pipelines.costing.order_penalties import OrderPenalties
from pipelines.planner import solve
from tests.benchmarks.market_generator import Market, random_problem
from tests.oracle.brute_force import best_plan
from tests.oracle.random_problems import problems
from tests.present import present

pytest.importorskip("pyscipopt", reason="needs the package pyscipopt")
from tests.builders.length import examples
from tests.oracle.independent_program import best_cost

TOLERANCE = 1e-5


@settings(
    max_examples=examples(40, 150),
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(problems())
def test_the_second_program_itself_agrees_with_brute_force(problem: Any) -> None:
    problem = replace(problem, allow_spares=True)
    best = best_plan(problem)
    assume(best is not None)
    missing, cost = present(best)
    found, value, _ = best_cost(problem)
    assert found == missing
    assert math.isclose(value, float(cost), abs_tol=TOLERANCE)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("rule_share", [0.0, 0.5, 1.0])
def test_medium_markets_cost_what_the_second_program_says(seed: Any, rule_share: float) -> None:
    market = Market(
        line_count=16, piece_count=120, colour_count=6, vendor_count=8, offers_per_vendor=(8, 20), rule_share=rule_share
    )
    problem = random_problem(seed, market)
    solution = solve.solve(problem, "deep")
    missing, value, bound = best_cost(problem)
    assert solution.unfilled["quantity"].sum() == missing
    assert solution.is_proven
    assert math.isclose(float(solution.cost), value, rel_tol=1e-6, abs_tol=TOLERANCE)
    assert float(solution.lower_bound) <= value + TOLERANCE
    assert bound <= float(solution.cost) + TOLERANCE


@pytest.mark.parametrize("seed", range(6))
def test_medium_markets_with_incremental_steps_forced_vendors_and_parcel_penalty(seed: Any) -> None:
    """Steps are as the generator draws them; the vendor forced is one that the plan without the rule leaves out."""
    market = Market(
        line_count=16, piece_count=120, colour_count=6, vendor_count=8, offers_per_vendor=(8, 20), rule_share=0.5
    )
    problem = random_problem(seed, market)
    assert problem.offer_steps.height > problem.offers.height
    problem = replace(
        problem,
        offers=problem.offers.with_columns(step_kind=pl.lit("incremental")),
        penalties=OrderPenalties(Fraction(5, 2), frozenset(f"v{number:05d}" for number in (1, 4, 6)), Fraction(3, 2)),
    )
    vendors = problem.offers.join(solve.solve(problem, "deep").purchases, on="offer_index", how="semi")["vendor_code"]
    problem = replace(problem, forced_vendors=frozenset(sorted(set(problem.offers["vendor_code"]) - set(vendors))[:1]))
    solution = solve.solve(problem, "deep")
    ordered = set(problem.offers.join(solution.purchases, on="offer_index", how="semi")["vendor_code"])
    counted = solution.cost + problem.penalties.of_all(ordered)
    missing, value, bound = best_cost(problem)
    assert problem.forced_vendors <= ordered
    assert solution.unfilled["quantity"].sum() == missing
    assert solution.is_proven
    assert math.isclose(float(counted), value, rel_tol=1e-6, abs_tol=TOLERANCE)
    assert bound <= float(counted) + TOLERANCE
    quick = solve.solve(problem, "quick")
    if quick.unfilled["quantity"].sum() == missing:
        ordered = set(quick.purchases.join(problem.offers, on="offer_index")["vendor_code"])
        most = quick.lower_bound + problem.penalties.of_all(ordered)
        assert quick.lower_bound == 0 or float(most) <= value + TOLERANCE
