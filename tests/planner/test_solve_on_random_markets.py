"""Plans of many small random markets cost what brute force says, and no bound lies above."""

from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from pipelines.planner import solve
from pipelines.planner.efforts import EFFORTS
from tests.builders.length import IS_LONG, examples
from tests.oracle.brute_force import best_plan
from tests.oracle.random_problems import problems
from tests.planner.test_solve import (
    QUIET,
    assert_optimal,
    assert_refused,
    penalties_of,
    priced,
    unfilled_count,
    without_the_whole_program,
)

PARTS = 20
"""The long run is in so many parts, each with markets of its own: processes can share them, and each ends in minutes."""

NO_SHRINKING = (Phase.explicit, Phase.reuse, Phase.generate)
"""A failure of the long run is shown as it was found: making it smaller could take hours."""


@pytest.mark.parametrize("part", range(examples(1, PARTS)))
@settings(max_examples=examples(120, 10_000 // PARTS), phases=NO_SHRINKING if IS_LONG else tuple(Phase), **QUIET)
@given(problem=problems())
def test_many_small_markets_with_every_rule_are_planned_exactly(part: int, problem: Any) -> None:
    assert_optimal(problem, "standard")


@settings(max_examples=examples(40, 2_000), **QUIET)
@given(problems(packs=True))
def test_small_markets_where_all_is_sold_in_packs_are_planned_exactly(problem: Any) -> None:
    assert_optimal(problem, "standard")


@settings(max_examples=examples(60, 600), **QUIET)
@given(st.one_of(problems(), problems(packs=True)))
def test_the_search_alone_never_claims_a_bound_above_the_optimum(problem: Any) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(EFFORTS, "standard", without_the_whole_program("standard"))
        best = best_plan(problem)
        if best is None:
            assert_refused(problem, "standard")
            return
        solution = solve.solve(problem, "standard")
    missing, cost = best
    penalties = penalties_of(problem, solution)
    landed_cost = priced(problem, solution)
    assert unfilled_count(solution) >= missing
    assert landed_cost.exact_cost == solution.cost
    assert not landed_cost.broken_rules
    if unfilled_count(solution) == missing:
        assert solution.lower_bound == 0 or solution.lower_bound + penalties <= cost
        assert cost <= solution.cost + penalties
        assert not solution.is_proven or solution.cost + penalties == cost
