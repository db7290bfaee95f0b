"""Several orders with one vendor in one plan: against brute force, and in cases anyone can work out."""

from typing import Any

import pytest
from hypothesis import given, settings

from pipelines.planner import solve
from pipelines.planner.efforts import EFFORTS
from tests.builders.length import examples
from tests.builders.problems import bought_of_listings, problems_with_orders, with_further_orders
from tests.oracle.brute_force import best_plan
from tests.planner.test_solve import (
    QUIET,
    assert_refused,
    penalties_of,
    priced,
    unfilled_count,
    without_the_whole_program,
)


def stock_of_listings(problem: Any) -> Any:
    offers = problem.offers.select("vendor_code", "listing_code", "quantity_available")
    return {(code, listing): stock for code, listing, stock in offers.iter_rows()}


def assert_sound(problem: Any, expanded: Any, solution: Any) -> None:
    landed_cost = priced(expanded, solution)
    assert landed_cost.exact_cost == solution.cost
    assert not landed_cost.broken_rules
    stock = stock_of_listings(problem)
    assert all(n <= stock[key] for key, n in bought_of_listings(expanded, solution.purchases).items())


def assert_bounded(problem: Any, expanded: Any, solution: Any, best: Any) -> None:
    missing, cost = best
    penalties = penalties_of(expanded, solution)
    assert_sound(problem, expanded, solution)
    assert unfilled_count(solution) >= missing
    if unfilled_count(solution) == missing:
        assert solution.lower_bound == 0 or solution.lower_bound + penalties <= cost
        assert cost <= solution.cost + penalties
        assert not solution.is_proven or solution.cost + penalties == cost


@settings(max_examples=examples(150, 1500), **QUIET)
@given(problems_with_orders())
def test_small_markets_with_several_orders_are_planned_exactly(problem: Any) -> None:
    best, expanded = best_plan(problem), with_further_orders(problem)
    if best is None:
        assert_refused(expanded, "standard")
        return
    solution = solve.solve(expanded, "standard")
    assert (unfilled_count(solution), solution.cost + penalties_of(expanded, solution)) == best
    assert solution.lower_bound == solution.cost
    assert solution.is_proven
    assert_sound(problem, expanded, solution)


@settings(max_examples=examples(60, 600), **QUIET)
@given(problems_with_orders(rules=False))
def test_small_plain_markets_with_several_orders_are_planned_exactly(problem: Any) -> None:
    expanded = with_further_orders(problem)
    solution = solve.solve(expanded, "quick")
    assert (unfilled_count(solution), solution.cost) == best_plan(problem)
    assert solution.is_proven
    assert_sound(problem, expanded, solution)


@settings(max_examples=examples(100, 1000), **QUIET)
@given(problems_with_orders())
def test_the_search_alone_never_claims_a_bound_above_the_optimum(problem: Any) -> None:
    best, expanded = best_plan(problem), with_further_orders(problem)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(EFFORTS, "standard", without_the_whole_program("standard"))
        if best is None:
            assert_refused(expanded, "standard")
            return
        solution = solve.solve(expanded, "standard")
    assert_bounded(problem, expanded, solution, best)


@settings(max_examples=examples(60, 600), **QUIET)
@given(problems_with_orders())
def test_several_orders_are_bounded_when_planned_as_a_whole_market(problem: Any) -> None:
    best, expanded = best_plan(problem), with_further_orders(problem)
    if best is None:
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(solve, "is_market", lambda arrays: True)
        solution = solve.solve(expanded, "standard")
    assert_bounded(problem, expanded, solution, best)
