"""Planning at market size: bounds never above the optimum, whatever the prices; the same plan as the whole program; no chance."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.errors import PlanRefusedError
from pipelines.planner import solve, stages, whole_market
from pipelines.planner.bounds import vendor_branching, vendor_relaxation
from pipelines.planner.bounds.lagrangean import Lagrangean
from pipelines.planner.bounds.relaxation import continuous
from pipelines.planner.program import linear
from pipelines.planner.program.columns import ProgramOptions
from pipelines.planner.program.rows import build_program
from pipelines.planner.reduction.dominated import undominated
from pipelines.planner.reduction.unfilled import least_unfilled
from pipelines.planner.search.market_sets import UsesByVendor
from pipelines.planner.search.vendor_sets import costed, searched_uses
from pipelines.planner.statement.bands import compile_terms
from pipelines.planner.statement.make_arrays import arrays_of
from tests.benchmarks.market_generator import Market, random_problem, vendor_market
from tests.builders.length import examples
from tests.oracle.brute_force import best_plan
from tests.oracle.random_problems import problems
from tests.present import present

QUIET: dict[str, Any] = {
    "deadline": None,
    "suppress_health_check": [
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
        HealthCheck.filter_too_much,
        HealthCheck.function_scoped_fixture,
    ],
}
SLACK = 1e-6
SMALL = Market(line_count=40, piece_count=300, colour_count=6, vendor_count=30, offers_per_vendor=(8, 25))


def without(problem: Any, vendor_code: Any) -> Any:
    """The problem without one vendor's offers, numbered anew."""
    offers = problem.offers.filter(pl.col("vendor_code") != vendor_code)
    number = offers.select("offer_index").with_row_index("new").cast({"new": pl.Int64})

    def renumbered(frame: Any) -> Any:
        return frame.join(number, on="offer_index").with_columns(offer_index=pl.col("new")).select(frame.columns)

    return replace(
        problem, offers=renumbered(offers), offer_steps=renumbered(problem.offer_steps), uses=renumbered(problem.uses)
    )


def ordering_at_least(problem: Any, vendor_code: Any, goods_value: Any) -> Any:
    """The problem with a higher minimum at one vendor, which shuts the bands below."""
    terms = problem.terms[vendor_code]
    least = Decimal(goods_value.numerator) / Decimal(goods_value.denominator)
    return replace(problem, terms={**problem.terms, vendor_code: replace(terms, minimum_order=least)})


def planned_as_market(problem: Any, effort: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr(solve, "is_market", lambda arrays: True)
    return solve.solve(problem, effort)


@settings(max_examples=examples(60, 1000), **QUIET)
@given(st.one_of(problems(), problems(packs=True)), st.integers(0, 2**32 - 1))
def test_any_prices_bound_the_cheapest_plan_and_its_branches(problem: Any, seed: Any) -> None:
    problem = replace(problem, forced_vendors=frozenset())
    missing, cost = present(best_plan(problem))
    arrays = arrays_of(problem)
    if not len(arrays.use_offer):
        return
    lagrangean, unit = Lagrangean.of(arrays, missing), arrays.money_unit
    rng, has_combinations = np.random.default_rng(seed), (problem.uses["combination_code"] != "").any()
    for scale in (0.5, 3.0):
        prices = rng.normal(scale, scale, len(lagrangean.row_want))
        assert lagrangean.bound(prices).value <= float(cost / unit) + SLACK
        if has_combinations:  # a combination without one vendor's component would be another combination
            continue
        for number, code in enumerate(arrays.vendors.codes):
            alone = np.arange(len(arrays.vendors)) == number
            nobody = np.zeros_like(alone)
            others_missing, others_cost = present(best_plan(without(problem, code)))
            if others_missing == missing:
                bound = lagrangean.bound(prices, nobody, alone).value
                assert bound <= float(others_cost / unit) + SLACK
                assert abs(lagrangean.among(~alone).bound(prices, nobody, alone).value - bound) < SLACK
            mine = np.flatnonzero(lagrangean.order_vendor == number)
            bands = compile_terms(problem.terms[code]).bands
            shut = [np.isin(np.arange(len(lagrangean.order_vendor)), mine[mine != order]) for order in mine]
            parts = [lagrangean.bound(prices, nobody, alone).value]
            parts += [lagrangean.bound(prices, alone, nobody, others).value for others in shut]
            assert min(parts) <= float(cost / unit) + SLACK  # a plan is without the vendor or in one of its bands
            for index in range(1, len(bands)):
                above_missing, above_cost = present(best_plan(ordering_at_least(problem, code, bands[index].start)))
                if above_missing == missing:
                    below = np.isin(np.arange(len(lagrangean.order_vendor)), mine[:index])
                    assert lagrangean.bound(prices, nobody, nobody, below).value <= float(above_cost / unit) + SLACK
            if (others_missing, others_cost) > (missing, cost):  # then every cheapest plan uses the vendor
                assert lagrangean.bound(prices, alone, nobody).value <= float(cost / unit) + SLACK


@settings(max_examples=examples(30, 400), **QUIET)
@given(problem=problems())
@pytest.mark.parametrize("effort", ["quick", "deep"])
def test_small_markets_are_bounded_when_planned_as_large_ones(
    problem: Any, effort: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = best_plan(problem)
    if found is None:
        with pytest.raises(PlanRefusedError):
            planned_as_market(problem, effort, monkeypatch)
        return
    missing, cost = found
    solution = planned_as_market(problem, effort, monkeypatch)
    vendors = solution.purchases.join(problem.offers, on="offer_index")["vendor_code"]
    penalties = problem.penalties.of_all(set(vendors))
    unfilled = int(solution.unfilled["quantity"].sum())
    assert unfilled >= missing
    if unfilled == missing:
        assert solution.lower_bound == 0 or solution.lower_bound + penalties <= cost
        assert cost <= solution.cost + penalties


@pytest.mark.parametrize(("seed", "rule_share"), [(1, 0.0), (2, 0.0), (1, 0.4), (2, 0.4)])
def test_branching_on_vendors_agrees_with_the_whole_program(
    seed: int, rule_share: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = random_problem(seed, replace(SMALL, rule_share=rule_share))
    exact = solve.solve(problem, "deep")
    assert exact.is_proven
    ours = planned_as_market(problem, "standard", monkeypatch)
    assert ours.lower_bound <= exact.cost <= ours.cost
    if rule_share == 0:
        assert ours.is_proven
    assert ours.cost <= exact.cost * 102 / 100


@pytest.mark.parametrize("rule_share", [0.0, 0.4])
def test_sets_costed_together_cost_what_each_costs_alone(rule_share: float) -> None:
    arrays = arrays_of(random_problem(1, replace(SMALL, rule_share=rule_share)))
    uses_by_vendor = UsesByVendor.of(arrays, undominated(arrays), whole_market.first_factors(arrays))
    assert uses_by_vendor.is_exact == (rule_share == 0)
    rng = np.random.default_rng(1)
    sets = [tuple(sorted(rng.choice(30, size, replace=False).tolist())) for size in (0, 1, 4, 4, 9, 30)]
    together, alone = uses_by_vendor.costs_of(sets), [uses_by_vendor.costs_of([vendors])[0] for vendors in sets]
    assert [cost for cost, _ in together] == pytest.approx([cost for cost, _ in alone], rel=1e-12)
    assert all((paid == own).all() for (_, paid), (_, own) in zip(together, alone, strict=True))
    assert alone[0][0] == pytest.approx(float(arrays.need @ uses_by_vendor.short))
    found = costed(searched_uses(arrays, undominated(arrays)), np.array([np.isin(np.arange(30), sets[-1])]))
    assert found.short[0] == 0  # then nothing in either cost is a guess at what is missing
    assert alone[-1][0] == pytest.approx(found.costs[0], rel=1e-9 if rule_share == 0 else 0.05)


def test_prices_settle_near_the_best_and_targets_lift_the_bound() -> None:
    problem = random_problem(1, vendor_market(90))
    arrays = arrays_of(problem)
    assert whole_market.is_market(arrays)
    quick, standard = (solve.solve(problem, effort) for effort in ("quick", "standard"))
    assert quick.lower_bound < standard.lower_bound <= standard.cost <= quick.cost
    assert standard.cost - standard.lower_bound < standard.cost / 50


def test_the_same_market_gives_the_same_plan() -> None:
    problem = random_problem(2, vendor_market(90))
    first, second = (solve.solve(problem, "quick") for _ in range(2))
    assert (first.cost, first.lower_bound) == (second.cost, second.lower_bound)
    assert first.purchases.equals(second.purchases)


@pytest.mark.parametrize(("seed", "rule_share"), [(1, 0.0), (2, 0.0), (3, 0.4)])
def test_cuts_say_what_a_row_for_every_offer_says(seed: int, rule_share: float) -> None:
    problem = random_problem(seed, replace(SMALL, vendor_count=vendor_relaxation.FEW, rule_share=rule_share))
    arrays = arrays_of(problem)
    everyone, all_uses = np.ones(len(arrays.vendors), np.bool_), np.ones(len(arrays.use_offer), np.bool_)
    nobody, guess, last_resort = ~everyone, np.full(len(arrays.need), 1.0), 500.0
    assert vendor_relaxation.is_supply(arrays).mean() > 0.3
    options = ProgramOptions(everyone, all_uses, whole=False, unfilled_limit=least_unfilled(arrays))
    usual = linear.solve(continuous(build_program(arrays, options).program), {})
    lagrangean = Lagrangean.of(arrays, least_unfilled(arrays))
    small = vendor_relaxation.VendorRelaxation(lagrangean, everyone, guess, last_resort)
    prices = small.solve(nobody, nobody)
    if rule_share == 0:
        assert small.value == pytest.approx(usual.bound, rel=1e-5)
        assert lagrangean.bound(present(prices).rows).value == pytest.approx(usual.bound, rel=1e-5)
    else:  # orders are priced at what the guess makes best, then at what their own prices do
        values, bounds = [], []
        for _ in range(6):
            small = vendor_relaxation.VendorRelaxation(lagrangean, everyone, present(prices).rows, last_resort)
            prices = small.solve(nobody, nobody)
            values.append(small.value)
            bounds.append(lagrangean.bound(present(prices).rows).value)
        assert max(bounds) >= max(values) - 1e-4 * usual.bound
        assert max(bounds) == pytest.approx(usual.bound, rel=0.1)
        assert present(prices).order_shares.max() <= 1 + SLACK and len(present(prices).order_shares) > len(
            present(prices).vendor_shares
        )
    least, without_first = small.value, nobody.copy()
    without_first[int(np.argmax(present(prices).vendor_shares))] = True
    small.solve(nobody, without_first)
    assert small.value >= least + 1e-6  # a needed vendor is missed


def test_forced_vendors_and_incremental_steps_are_planned_vendor_by_vendor(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = random_problem(1, replace(SMALL, rule_share=0.4))
    stepped = problem.offer_steps.filter(pl.col("step_from_quantity") > 1)["offer_index"].implode()
    kind = pl.when(pl.col("offer_index").is_in(stepped)).then(pl.lit("incremental")).otherwise(pl.lit("all_units"))
    free = solve.solve(problem, "standard")
    used = set(problem.offers[free.purchases["offer_index"]]["vendor_code"])
    unused = min(set(problem.offers["vendor_code"]) - used)
    problem = replace(problem, offers=problem.offers.with_columns(step_kind=kind), forced_vendors=frozenset({unused}))
    assert arrays_of(problem).step_base_micro.any()
    exact = solve.solve(problem, "deep")
    ours = planned_as_market(problem, "standard", monkeypatch)
    assert unused in set(problem.offers[ours.purchases["offer_index"]]["vendor_code"])
    assert exact.is_proven and exact.cost > free.cost
    assert free.lower_bound < ours.lower_bound <= exact.cost <= ours.cost <= exact.cost * 102 / 100


def test_root_prices_with_thresholds_bound_better_than_one_climb() -> None:
    arrays = arrays_of(random_problem(1, replace(SMALL, vendor_count=60, rule_share=1.0)))
    lagrangean = Lagrangean.of(arrays, least_unfilled(arrays))
    guess = np.full(len(lagrangean.row_want), 0.1)
    _, first = vendor_branching._climb(lagrangean, guess, 50.0)
    prices, best = vendor_branching.root_prices(lagrangean, guess, 50.0)
    assert best.value > first.value * 1.0001
    assert lagrangean.bound(prices.rows).value == pytest.approx(best.value, rel=1e-12)


def test_pieces_are_chosen_anew_among_the_plans_vendors(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = random_problem(1, replace(SMALL, rule_share=1.0))
    better = planned_as_market(problem, "standard", monkeypatch)
    monkeypatch.setattr(stages, "_solve_nearby", lambda so_far: None)
    assert better.cost < planned_as_market(problem, "standard", monkeypatch).cost
