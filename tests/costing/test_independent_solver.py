"""The planner against a second program on another solver: markets too large for brute force."""

import math
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings

from pipelines.costing.planner import mip
from tests.benchmarks.market_generator import Market, random_problem
from tests.oracle.brute_force import best_plan
from tests.oracle.random_problems import problems

pytest.importorskip("pyscipopt", reason="needs the package pyscipopt")
from tests.oracle.independent_program import best_cost

TOLERANCE = 1e-5


@pytest.mark.slow
@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(problems())
def test_the_second_program_itself_agrees_with_brute_force(problem):
    problem = replace(problem, allow_spares=True)
    missing, cost = best_plan(problem)
    found, value, _ = best_cost(problem)
    assert found == missing
    assert math.isclose(value, float(cost), abs_tol=TOLERANCE)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("rule_share", [0.0, 0.5, 1.0])
def test_medium_markets_cost_what_the_second_program_says(seed, rule_share):
    market = Market(
        line_count=16, piece_count=120, colour_count=6, vendor_count=8, offers_per_vendor=(8, 20), rule_share=rule_share
    )
    problem = random_problem(seed, market)
    solution = mip.solve(problem, "deep")
    missing, value, bound = best_cost(problem)
    assert solution.unfilled["quantity"].sum() == missing
    assert solution.is_proven
    assert math.isclose(float(solution.cost), value, rel_tol=1e-6, abs_tol=TOLERANCE)
    assert float(solution.lower_bound) <= value + TOLERANCE
    assert bound <= float(solution.cost) + TOLERANCE
