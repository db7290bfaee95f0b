"""Limits of what a change does to any plan: brute force on tiny problems never lies outside of them."""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipelines.costing.order_penalties import NO_PENALTIES
from pipelines.costing.terms import BorderStep, VendorTerms
from pipelines.insight.replanning.changed_assumptions import ChangedAssumptions
from pipelines.insight.what_if.cost_limits import CostRatio, ratio_of_vendors, within_limits
from pipelines.money import Interval
from pipelines.planner.statement.problem import Problem
from tests.builders.length import examples
from tests.oracle.brute_force import best_plan
from tests.oracle.random_problems import problems

CHANGES = st.one_of(
    st.builds(ChangedAssumptions, price_pct=st.sampled_from([Decimal(-50), Decimal(-10), Decimal(10), Decimal(100)])),
    st.builds(ChangedAssumptions, shipping_pct=st.sampled_from([Decimal(-25), Decimal(25), Decimal(100)])),
    st.builds(ChangedAssumptions, tax_points=st.sampled_from([Decimal(-20), Decimal(-5), Decimal(5)])),
    st.builds(ChangedAssumptions, rate_pct=st.sampled_from([Decimal(-50), Decimal(-5), Decimal(5)])),
)


def changed(problem: Problem, changes: ChangedAssumptions) -> Problem:
    terms = {code: changes.in_terms_of(each) for code, each in problem.terms.items()}
    return replace(problem, terms=terms, offer_steps=changes.in_prices(problem.offer_steps))


@given(problems(), CHANGES)
@settings(max_examples=examples(150, 5000), deadline=None)
def test_no_change_moves_the_best_plan_beyond_its_limits(problem: Problem, changes: ChangedAssumptions) -> None:
    problem = replace(problem, penalties=NO_PENALTIES)
    before, after = best_plan(problem), best_plan(changed(problem, changes))
    assume(before is not None and after is not None and before[0] == after[0] and problem.offer_steps.height)
    assert before is not None and after is not None
    lowest: Decimal = problem.offer_steps["unit_price"].min()  # type: ignore[assignment]
    ratio = ratio_of_vendors(changes, problem.terms.values(), lowest)
    assert after[1] >= ratio.low * before[1]
    assert ratio.high is None or after[1] <= ratio.high * before[1]


PLAIN = VendorTerms("a", shipping_charge=Decimal(4), tax_rate_pct=Decimal(20), tax_on="goods_and_shipping")
LOWER = ChangedAssumptions(price_pct=Decimal(-10))


@pytest.mark.parametrize(
    ("terms", "changes", "low", "high"),
    [
        (PLAIN, ChangedAssumptions(tax_points=Decimal(4)), "31/30", "31/30"),
        (replace(PLAIN, tax_on="goods"), ChangedAssumptions(tax_points=Decimal(4)), "1", "31/30"),
        (PLAIN, ChangedAssumptions(shipping_pct=Decimal(-25)), "3/4", "1"),
        (PLAIN, ChangedAssumptions(rate_pct=Decimal(5)), "1", "1"),
        (replace(PLAIN, currency_code="GBP"), ChangedAssumptions(rate_pct=Decimal(5)), "21/20", "21/20"),
        (PLAIN, LOWER, "9/10", "1"),
        (replace(PLAIN, shipping_waived_from=Decimal(30)), LOWER, "9/10", None),
        (replace(PLAIN, minimum_order=Decimal(5)), LOWER, "9/10", None),
        (replace(PLAIN, border=(BorderStep(Decimal(9), Decimal(4), Decimal(0)),)), LOWER, "0", "1"),
        (
            replace(
                PLAIN,
                border=(
                    BorderStep(Decimal(9), Decimal(4), Decimal(0)),
                    BorderStep(Decimal(20), Decimal(2), Decimal(0)),
                ),
            ),
            LOWER,
            "0",
            None,
        ),
        (PLAIN, ChangedAssumptions(price_pct=Decimal(10)), "1", "11/10"),
        (PLAIN, ChangedAssumptions(price_pct=Decimal(10), rate_pct=Decimal(5)), "0", None),
    ],
)
def test_limits_of_each_change(terms: VendorTerms, changes: ChangedAssumptions, low: str, high: str | None) -> None:
    """Prices of 1000 leave nothing to rounding that the sixth digit would show."""
    found = ratio_of_vendors(changes, [terms], Decimal(1000))
    assert float(found.low) == pytest.approx(float(Fraction(low)), abs=1e-8)
    assert found.high == high or float(found.high or 0) == pytest.approx(float(Fraction(high or 0)), abs=1e-8)


def test_one_vendor_without_limits_leaves_none() -> None:
    waived = replace(PLAIN, shipping_waived_from=Decimal(30))
    assert ratio_of_vendors(LOWER, [PLAIN, waived], Decimal(1000)).high is None
    assert ratio_of_vendors(LOWER, [], None) == CostRatio()


def money(low: str, high: str) -> Interval:
    return Interval(Decimal(low), Decimal(high))


def test_a_range_is_cut_to_the_limits_and_holds_the_difference_found() -> None:
    dearer = CostRatio(Fraction(1), Fraction(11, 10))
    between, landed = money("-6", "4"), money("50", "55")
    assert within_limits(between, Decimal(3), landed, Decimal(0), dearer, "EUR") == money("0", "4")
    assert within_limits(money("-6", "9"), Decimal(3), landed, Decimal(0), dearer, "EUR") == money("0", "5.5")
    assert within_limits(between, Decimal("-0.01"), landed, Decimal(0), dearer, "EUR") == money("-0.01", "4")
    surely = CostRatio(Fraction(31, 30), Fraction(31, 30))
    assert within_limits(between, Decimal("2.7"), landed, Decimal(1), surely, "EUR") == money("2.66", "2.84")
