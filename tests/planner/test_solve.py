"""The planner against brute force: the same fewest pieces missing, the same unrounded cost, and bounds that hold."""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings

from pipelines.costing.landed_cost import work_out
from pipelines.costing.order_penalties import OrderPenalties
from pipelines.costing.terms import VendorTerms
from pipelines.errors import PlanRefusedError
from pipelines.planner import solve
from pipelines.planner.efforts import EFFORTS, Effort
from pipelines.planner.reduction.dominated import undominated
from pipelines.planner.search.repair import constructed
from pipelines.planner.statement.make_arrays import arrays_of
from pipelines.planner.statement.problem import OFFER_SCHEMA, PORTION_SCHEMA, STEP_SCHEMA, USE_SCHEMA, Problem
from tests.benchmarks.market_generator import Market, random_problem, vendor_market
from tests.oracle.brute_force import Market as OracleMarket
from tests.oracle.brute_force import best_plan
from tests.oracle.random_problems import problems

QUIET: dict[str, Any] = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
}


def without_the_whole_program(effort: str) -> Effort:
    whole = replace(EFFORTS[effort].whole, up_to=-1)
    return replace(EFFORTS[effort], whole=whole)


def unfilled_count(solution: Any) -> int:
    return int(solution.unfilled["quantity"].sum())


def priced(problem: Any, solution: Any) -> Any:
    """The landed cost of a solution's purchases: all pieces at the highest price step reached, or each at its own."""
    steps = (
        solution.purchases.join(problem.offer_steps, on="offer_index")
        .filter(pl.col("step_from_quantity") <= pl.col("quantity"))
        .sort("step_from_quantity")
        .group_by("offer_index", "quantity", maintain_order=True)
        .last()
    )
    bought = steps.join(problem.offers, on="offer_index")
    market = OracleMarket(problem)
    values = [market.value(offer, quantity) for offer, quantity in bought.select("offer_index", "quantity").iter_rows()]
    return work_out(bought.with_columns(pl.Series("goods_value", values, pl.Decimal(38, 6))), problem.terms)


def penalties_of(problem: Any, solution: Any) -> Any:
    """The parcel penalty of a solution's orders."""
    vendors = solution.purchases.join(problem.offers, on="offer_index")["vendor_code"]
    assert problem.forced_vendors <= set(vendors)
    return problem.penalties.of_all(set(vendors))


def assert_refused(problem: Any, effort: Any) -> None:
    with pytest.raises(PlanRefusedError, match="no plan has an order at every forced vendor"):
        solve.solve(problem, effort)


def assert_optimal(problem: Any, effort: Any) -> None:
    best = best_plan(problem)
    if best is None:
        assert_refused(problem, effort)
        return
    missing, cost = best
    solution = solve.solve(problem, effort)
    penalties = penalties_of(problem, solution)
    assert (unfilled_count(solution), solution.cost + penalties) == (missing, cost)
    assert solution.lower_bound == solution.cost
    assert solution.is_proven
    landed_cost = priced(problem, solution)
    assert landed_cost.exact_cost == solution.cost
    assert not landed_cost.broken_rules


@settings(max_examples=60, **QUIET)
@given(problems())
def test_small_markets_with_every_rule_are_planned_exactly(problem: Any) -> None:
    assert_optimal(problem, "standard")


@settings(max_examples=40, **QUIET)
@given(problems(rules=False))
def test_small_plain_markets_are_planned_exactly(problem: Any) -> None:
    assert_optimal(problem, "quick")


def test_a_planned_problem_is_planned_alike_again() -> None:
    problem = random_problem(3, Market(line_count=60, piece_count=500, vendor_count=15, rule_share=0.4))
    first, second = solve.solve(problem, "quick"), solve.solve(problem, "quick")
    assert first.cost == second.cost
    assert first.lower_bound == second.lower_bound
    assert first.purchases.equals(second.purchases)
    assert first.allocations.equals(second.allocations)


def test_more_effort_and_a_known_plan_never_make_it_worse() -> None:
    problem = random_problem(5, Market(line_count=60, piece_count=500, vendor_count=15, rule_share=0.4))
    quick = solve.solve(problem, "quick")
    standard = solve.solve(problem, "standard", start=quick)
    assert unfilled_count(standard) <= unfilled_count(quick)
    assert standard.cost <= quick.cost
    assert quick.lower_bound <= standard.cost


@pytest.mark.parametrize("seed", [1, 2, 4, 6, 8])
def test_more_effort_alone_never_makes_it_worse(seed: int) -> None:
    problem = random_problem(seed, Market(line_count=40, piece_count=300, vendor_count=15, rule_share=0.5))
    quick, standard = solve.solve(problem, "quick"), solve.solve(problem, "standard")
    assert (unfilled_count(standard), standard.cost) <= (unfilled_count(quick), quick.cost)
    assert quick.lower_bound <= standard.cost
    assert standard.cost - standard.lower_bound < standard.cost / 50


@pytest.mark.parametrize("effort", ["quick", "standard"])
def test_full_orders_send_the_rest_to_other_vendors(effort: str) -> None:
    problem = random_problem(7, Market(line_count=60, piece_count=500, vendor_count=15))
    limited = {code: replace(terms, maximum_piece_count=45) for code, terms in problem.terms.items()}
    solution = solve.solve(replace(problem, terms=limited), effort)
    assert unfilled_count(solution) == unfilled_count(solve.solve(problem, effort))
    assert solution.purchases["quantity"].sum() > 400


def test_orders_of_too_many_elements_send_the_rest_to_other_vendors() -> None:
    problem = random_problem(7, Market(line_count=60, piece_count=500, vendor_count=15))
    limited = replace(
        problem, terms={code: replace(terms, maximum_element_count=8) for code, terms in problem.terms.items()}
    )
    arrays = arrays_of(limited)
    everyone = np.ones(len(arrays.vendors), np.bool_)
    plan = constructed(limited, arrays, undominated(arrays), everyone)
    assert plan is not None, "the plan breaks a rule"
    assert plan.unfilled_count == unfilled_count(solve.solve(problem, "quick"))
    assert plan.cost > 0


def problem_of(portions: Any, offers: Any, steps: Any, uses: Any, terms: Any) -> Any:
    return Problem(
        pl.DataFrame(portions, PORTION_SCHEMA, orient="row"),
        pl.DataFrame(offers, OFFER_SCHEMA, orient="row"),
        pl.DataFrame(steps, STEP_SCHEMA, orient="row"),
        pl.DataFrame(uses, USE_SCHEMA, orient="row"),
        terms,
    )


def test_a_start_is_not_taken_for_the_optimum() -> None:
    """HiGHS 1.16.0, given the plan that buys one piece, called it optimal; three pieces cost less."""
    brick = ("brick", "olive", "new", "", "", 6, 1, None, Decimal("0.5"), Decimal(8))
    problem = problem_of(
        [(0, 1, 1, 1, "")],
        [(0, "o0", "v2", *brick), (1, "o1", "v3", *brick), (2, "o2", "v3", *brick)],
        [
            (0, 1, Decimal("0.25")),
            *((1, start, Decimal(price)) for start, price in ((1, "0.25"), (2, "0.125"), (3, "0.0625"))),
            (2, 1, Decimal("0.25")),
        ],
        [(0, offer, "olive", *way, 1) for way in (("", ""), ("m", "brick")) for offer in range(3)],
        {"v2": VendorTerms("v2"), "v3": VendorTerms("v3")},
    )
    solution = solve.solve(problem, "standard")
    assert solution.purchases.rows() == [(1, 3)]
    assert solution.cost == solution.lower_bound == Fraction(3, 16)


def test_nothing_needed_costs_nothing() -> None:
    solution = solve.solve(problem_of([], [], [], [], {}), "standard")
    assert solution.cost == solution.lower_bound == 0
    assert solution.is_proven


def test_without_offers_everything_is_unfilled_and_said_so() -> None:
    solution = solve.solve(problem_of([(0, 1, 1, 7, "")], [], [], [], {}), "standard")
    assert solution.unfilled.rows() == [(0, 7)]
    assert solution.cost == 0


def corner_shops(**rules: Any) -> Any:
    """Four bricks: 1.00 at a, 1.20 at b, 1.50 at c, who have two each; orders cost nothing beside."""
    shops = {"a": "1", "b": "1.2", "c": "1.5"}
    facts = ("brick", "olive", "new", "", "", 2, 1, None, Decimal("0.5"), Decimal(8))
    problem = problem_of(
        [(0, 1, 1, 4, "")],
        [(number, f"o{number}", code, *facts) for number, code in enumerate(shops)],
        [(number, 1, Decimal(price)) for number, price in enumerate(shops.values())],
        [(0, number, "olive", "", "", 1) for number in range(3)],
        {code: VendorTerms(code) for code in shops},
    )
    return replace(problem, **rules)


@pytest.mark.parametrize("effort", ["quick", "standard", "deep"])
def test_a_forced_vendor_gets_an_order_at_the_least_extra_cost(effort: str) -> None:
    solution = solve.solve(corner_shops(), effort)
    assert (solution.purchases.rows(), solution.cost) == ([(0, 2), (1, 2)], Fraction("4.4"))
    forced = solve.solve(corner_shops(forced_vendors=frozenset("c")), effort)
    assert (forced.purchases.rows(), forced.cost) == ([(0, 2), (1, 1), (2, 1)], Fraction("4.7"))
    assert forced.is_proven


@pytest.mark.parametrize(
    ("rules", "named"),
    [
        ({"forced_vendors": frozenset({"c", "nobody"})}, "nobody"),
        ({"forced_vendors": frozenset("abc"), "maximum_vendor_count": 2}, "a, b, c"),
        (
            # Two pieces at 1.50 never reach it.
            {"forced_vendors": frozenset("c"), "terms": {c: VendorTerms(c, minimum_order=Decimal(4)) for c in "abc"}},
            "c",
        ),
    ],
)
def test_vendors_that_cannot_be_forced_are_named(rules: dict[str, Any], named: str) -> None:
    with pytest.raises(PlanRefusedError) as caught:
        solve.solve(corner_shops(**rules), "standard")
    assert caught.value.what == f"no plan has an order at every forced vendor: {named}"
    assert "force fewer" in caught.value.next_step


def test_parcel_penalty_saves_parcels_and_is_no_part_of_the_cost() -> None:
    """Two pieces from a save 0.40 against all four from b: worth a second parcel only while it is less of a parcel penalty."""
    stocked = corner_shops()
    stocked = replace(
        stocked, offers=stocked.offers.with_columns(quantity_available=pl.Series([2, 5, 5], dtype=pl.Int64))
    )
    for penalties, bought, cost in (
        ("0", [(0, 2), (1, 2)], "4.4"),
        ("0.39", [(0, 2), (1, 2)], "4.4"),
        ("0.41", [(1, 4)], "4.8"),
    ):
        solution = solve.solve(replace(stocked, penalties=OrderPenalties(Fraction(penalties))), "standard")
        assert (solution.purchases.rows(), solution.cost) == (bought, Fraction(cost))
        assert solution.lower_bound == solution.cost and solution.is_proven


@pytest.mark.parametrize("effort", ["quick", "standard", "deep"])
@pytest.mark.parametrize("preferred", ["a", "b", "c"])
def test_of_plans_that_cost_the_same_the_one_from_preferred_vendors_is_taken(preferred: str, effort: str) -> None:
    alike = corner_shops()
    alike = replace(
        alike,
        offers=alike.offers.with_columns(quantity_available=pl.Series([5, 5, 5], dtype=pl.Int64)),
        offer_steps=alike.offer_steps.with_columns(
            pl.lit(Decimal(1)).cast(STEP_SCHEMA["unit_price"]).alias("unit_price")
        ),
        penalties=OrderPenalties(preferred_vendors=frozenset(preferred), preference_value=Fraction(1, 100)),
    )
    solution = solve.solve(alike, effort)
    assert solution.purchases.rows() == [("abc".index(preferred), 4)]
    assert solution.lower_bound == solution.cost == 4 and solution.is_proven


def test_nothing_is_ordered_just_to_please_a_preference() -> None:
    wish = OrderPenalties(preferred_vendors=frozenset("c"), preference_value=Fraction(1, 5))
    solution = solve.solve(corner_shops(penalties=wish), "standard")
    assert solution.purchases["offer_index"].to_list() == [0, 1]
    assert solution.cost == Fraction("4.4") and solution.is_proven


def test_standard_effort_finds_cheaper_plans_than_quick_with_true_bounds() -> None:
    """Where all of 16 vendors have rules: at least 1 % cheaper, and its bound holds for the plans of any effort."""
    problem = random_problem(3, vendor_market(16, 1.0))
    plans = {effort: solve.solve(problem, effort) for effort in ("quick", "standard")}
    assert len({plan.unfilled["quantity"].sum() for plan in plans.values()}) == 1
    assert plans["standard"].cost < plans["quick"].cost * Fraction(99, 100)
    assert plans["standard"].lower_bound <= min(plan.cost for plan in plans.values())
