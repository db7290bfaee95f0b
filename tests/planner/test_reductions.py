"""Every reduction against brute force: the smaller problem has the same optimum, or one that is no higher.

The map back is tested with it: rows in the problem for uses left out, stand-ins and fillers for dear uses.
"""

from dataclasses import replace
from decimal import Decimal
from itertools import combinations
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipelines.costing.terms import Handling, ShippingStep, VendorTerms
from pipelines.planner import solve
from pipelines.planner.bounds import relaxation
from pipelines.planner.program.set_cover import cheapest_cover
from pipelines.planner.reduction.dominated import cells_of, undominated
from pipelines.planner.reduction.stand_ins import with_stand_ins
from pipelines.planner.reduction.unfilled import least_unfilled
from pipelines.planner.statement.make_arrays import arrays_of
from pipelines.planner.statement.problem import OFFER_SCHEMA, PORTION_SCHEMA, STEP_SCHEMA, USE_SCHEMA, Problem
from tests.builders.length import examples
from tests.oracle.brute_force import best_plan
from tests.oracle.random_problems import plain_terms, problems
from tests.oracle.random_terms import ASSORTMENTS, vendor_terms
from tests.planner.test_solve import QUIET
from tests.present import present

SLACK = 1e-6
DEPTH = 1.0
"""Stand-ins right behind the uses that could fill a cell once, so that tiny problems have some."""


def _charging_by_listing(vendor_code: str) -> st.SearchStrategy[VendorTerms]:
    """Terms under which listings of one element differ: by the charge of their assortment, and by weight."""
    handling = st.dictionaries(
        st.sampled_from(ASSORTMENTS),
        st.builds(Handling, st.sampled_from([Decimal(1), Decimal(3)]), st.none()),
        min_size=1,
    )
    steps = (
        ShippingStep("weight_grams", Decimal(0), Decimal(3), Decimal(0)),
        ShippingStep("weight_grams", Decimal(3), None, Decimal(3)),
    )
    return st.builds(VendorTerms, st.just(vendor_code), handling=handling, shipping_steps=st.sampled_from([(), steps]))


@st.composite
def crowded_problems(draw: st.DrawFn) -> Problem:
    """One or two portions of an element that one vendor has in two or three listings, and another in one."""
    terms = {"a": draw(_charging_by_listing("a")), "b": draw(st.one_of(plain_terms("b"), vendor_terms("b")))}
    sellers = [*["a"] * draw(st.integers(2, 3)), "b"]
    offers, steps = [], []
    for index, vendor_code in enumerate(sellers):
        sizes = draw(st.sampled_from([("0.5", "8"), ("4", "40")]))
        facts = (
            draw(st.sampled_from(["", *ASSORTMENTS])),
            draw(st.integers(1, 5)),
            draw(st.sampled_from([1, 1, 1, 2])),
            None,
        )
        offers.append(
            (index, f"o{index}", vendor_code, "brick", "olive", "new", str(index), *facts, *map(Decimal, sizes))
        )
        steps.append((index, 1, draw(st.sampled_from([Decimal("0.25"), Decimal("0.5"), Decimal(1)]))))
    needs = draw(st.lists(st.integers(1, 2), min_size=1, max_size=2))
    uses = [(portion, index, "olive", "", "", 1) for portion in range(len(needs)) for index in range(len(sellers))]
    return Problem(
        pl.DataFrame([(n, n + 1, 1, need, "") for n, need in enumerate(needs)], PORTION_SCHEMA, orient="row"),
        pl.DataFrame(offers, OFFER_SCHEMA, orient="row"),
        pl.DataFrame(steps, STEP_SCHEMA, orient="row"),
        pl.DataFrame(uses, USE_SCHEMA, orient="row"),
        terms,
    )


def with_uses(problem: Any, arrays: Any, kept: Any) -> Any:
    """The problem with some of its arrays' uses alone, and without combinations that lost all uses of a component."""
    uses, combination = problem.uses[arrays.use_row[kept]], ("portion_index", "combination_code")
    component = (*combination, "component_part_code")
    lost = problem.uses.join(uses, on=component, how="anti").filter(pl.col("combination_code") != "")
    return replace(problem, uses=uses.join(lost, on=combination, how="anti", maintain_order="left"))


@settings(max_examples=examples(120, 1500), **QUIET)
@given(st.one_of(problems(), crowded_problems()))
def test_a_problem_keeps_its_optimum_without_what_no_plan_can_have_and_without_needless_uses(problem: Any) -> None:
    """An exact program may state the undominated uses alone only if some cheapest plan has no others."""
    arrays = arrays_of(problem)
    best = best_plan(problem)
    assert best_plan(with_uses(problem, arrays, np.ones(len(arrays.use_row), np.bool_))) == best
    assert best_plan(with_uses(problem, arrays, undominated(arrays))) == best


@settings(max_examples=examples(80, 1000), **QUIET)
@given(problems())
def test_no_plan_leaves_fewer_unfilled_or_costs_less_than_the_first_bound(problem: Any) -> None:
    """Candidates are dropped unplanned on the word of this bound."""
    best = best_plan(problem)
    assume(best is not None and len(arrays_of(problem).use_row))
    assert best is not None
    missing, bound = solve.first_bound(problem)
    assert missing <= best[0]
    if missing == best[0]:
        assert float(bound) <= float(best[1]) + SLACK


@settings(max_examples=examples(80, 1000), **QUIET)
@given(problems())
def test_with_stand_ins_the_bound_holds_and_they_take_the_place_of_dearer_uses(problem: Any) -> None:
    """A relaxation with stand-ins bounds all plans only if each use left out has one in its portion, and no dearer."""
    arrays, best = arrays_of(problem), best_plan(problem)
    assume(best is not None and len(arrays.use_row) and least_unfilled(arrays) == best[0])
    assert best is not None
    without = present(relaxation.solve_relaxation(arrays, best[0]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(relaxation, "STATED_UP_TO", -1)
        patch.setattr(relaxation, "STAND_IN_DEPTH", DEPTH)
        reduced = present(relaxation.solve_relaxation(arrays, best[0]))
    assert reduced.has_stand_ins and not without.has_stand_ins
    # Neither bound need be the lower one: with fewer uses stated the rows that link them may be tighter. Both must hold.
    assert max(reduced.bound, without.bound) <= float(best[1] / arrays.money_unit) + SLACK

    uses = undominated(arrays, in_relaxation=True)
    cells = cells_of(arrays, uses)
    found = with_stand_ins(arrays, uses, cells, np.full(len(cells.portion), DEPTH))
    left_out = np.flatnonzero(uses & ~found.uses)
    stand_in, offer = found.cell_of[left_out], arrays.use_offer[left_out]
    assert (stand_in >= 0).all() and (found.cell_of[found.uses] < 0).all()
    assert (found.stand_ins.cell_portion[stand_in] == arrays.use_portion[left_out]).all()
    assert (found.stand_ins.price[stand_in] <= arrays.offer_floor[offer] + SLACK).all()
    has_filler = found.filler_of[left_out] >= 0
    assert (has_filler == ~arrays.vendors.is_rising[arrays.offer_vendor[offer]]).all()
    filler = found.filler_of[left_out[has_filler]]
    vendor_of_filler = arrays.offer_vendor[found.fillers.offer[filler]]
    assert (vendor_of_filler == arrays.offer_vendor[offer[has_filler]]).all()


def test_tiny_problems_have_needless_uses_and_stand_ins() -> None:
    """The tests above would prove nothing on problems that lose no use."""
    seen = {"needless": 0, "stand-ins": 0}

    @settings(max_examples=300, derandomize=True, database=None, **QUIET)
    @given(st.one_of(problems(), crowded_problems()))
    def count(problem: Any) -> None:
        arrays = arrays_of(problem)
        seen["needless"] += not undominated(arrays).all()
        uses = undominated(arrays, in_relaxation=True)
        cells = cells_of(arrays, uses)
        reduced = with_stand_ins(arrays, uses, cells, np.full(len(cells.portion), DEPTH))
        seen["stand-ins"] += bool((uses & ~reduced.uses).any())

    count()
    assert min(seen.values()) >= 3, seen


@settings(max_examples=examples(80, 1000), **QUIET)
@given(problems())
def test_a_cheapest_plan_has_nothing_that_the_relaxation_rules_out_for_its_cost(problem: Any) -> None:
    """The whole program leaves out what no plan within the best plan's cost can have: the optimum must stay in it."""
    arrays, best = arrays_of(problem), best_plan(problem)
    assume(best is not None and len(arrays.use_row))
    # A forced vendor may get an order of nothing but spares, and a problem made of uses alone can not state that.
    assume(not problem.forced_vendors)
    assert best is not None
    solved = present(relaxation.solve_relaxation(arrays, best[0]))
    vendors, uses = solved.within(float(best[1] / arrays.money_unit), undominated(arrays))
    assert vendors[arrays.offer_vendor[arrays.use_offer[uses]]].all()
    assert best_plan(with_uses(problem, arrays, uses)) == best


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=5),
    st.lists(st.tuples(st.integers(1, 2), st.sets(st.integers(0, 4), min_size=1)), max_size=4),
)
def test_a_cover_is_the_cheapest_of_all(costs: Any, sets: Any) -> None:
    """All subsets are tried."""
    members = range(len(costs))
    sets = [(needed, sorted(numbers & set(members))) for needed, numbers in sets]
    covers = [
        subset
        for size in range(len(costs) + 1)
        for subset in combinations(members, size)
        if all(len(set(subset) & set(numbers)) >= needed for needed, numbers in sets)
    ]
    found = cheapest_cover(costs, sets) if sets else []
    if not covers:
        assert found is None
    else:
        assert tuple(present(found)) in covers
        assert sum(costs[n] for n in present(found)) == min(sum(costs[n] for n in subset) for subset in covers)
