"""What holds between the plans of several scenarios, and for plans that are refused."""

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
from pipelines.planning.maker_first import MakerFirst
from tests.builders.length import examples
from tests.builders.markets import (
    flexibility,
    line,
    make_market,
    make_model,
    offer,
)
from tests.planning.planned_costs import TILL, Other, costs, only, planned, refuse


@pytest.mark.parametrize(
    "change,words",
    [
        (lambda s: Other(s, cost=s.cost + Fraction(1, 1000)), "landed cost"),
        (lambda s: Other(s, lower_bound=Fraction(-1)), "lower bound"),
        (lambda s: Other(s, purchases=s.purchases.with_columns(pl.col("quantity") * 1000)), ""),
        (
            lambda s: Other(s, purchases=s.purchases.clear(), cost=Fraction(0), lower_bound=Fraction(0)),
            "can't be bought",
        ),
        (lambda s: Other(s, unfilled=s.allocations.select("portion_index", "quantity")), "accounted"),
    ],
    ids=["cost", "bound", "stock", "used but not bought", "balance"],
)
def test_a_plan_that_fails_a_check_is_refused_and_buys_nothing(
    monkeypatch: pytest.MonkeyPatch, change: Any, words: str
) -> None:
    refuse(monkeypatch, change)
    found = planned(make_model([line(1, "brick", "red", 4)]), make_market(offer("a", "brick", "red", "0.10")))
    row = only(found)
    assert row["plan_status"] == "refused"
    assert (row["landed_cost"], row["unfilled_piece_count"], row["vendor_count"]) == (0, 4, 0)
    assert row["complete_cost"] == row["unfilled_estimate"] == Decimal("0.40")
    assert found.tables["plan_purchase"].height == 0
    reported = only(found, table="unfilled_line")[0]["remedies"]
    assert reported.startswith("the plan failed a check") and words in reported


def test_a_refusal_of_the_optimisers_is_published_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def refusing(*_: Any) -> None:
        raise PlanRefusedError("the bound lies above a known plan")

    monkeypatch.setattr(solve, "solve", refusing)
    found = planned(make_model([line(1, "brick", "red", 4)]), make_market(offer("a", "brick", "red", "0.10")))
    assert set(found.tables["model_cost"]["plan_status"]) == {"refused"}
    assert only(found, table="unfilled_line")[0]["remedies"] == "the bound lies above a known plan"


def test_a_better_plan_of_narrower_rules_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """An optimiser that does badly where it has more to choose from must not make flexibility look dear."""
    real = solve.solve

    def lazy(problem: Any, effort: Any, start: Any = None) -> Any:
        colours = problem.uses.filter(pl.col("colour_code") == "blue")
        if not colours.height:
            return real(problem, effort)
        narrowed = problem.uses.filter(pl.col("colour_code") == "blue")
        from dataclasses import replace

        found = real(replace(problem, uses=narrowed), effort)
        return replace(found, lower_bound=Fraction(0), is_proven=False)

    monkeypatch.setattr(solve, "solve", lazy)
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")])
    found = planned(model, make_market(offer("a", "brick", "red", "0.10"), offer("b", "brick", "blue", "0.90")))
    assert len(set(costs(found).values())) == 1
    row = only(found)
    assert (row["plan_status"], row["lower_bound"], row["gap_pct"]) == ("bounded", 0, float("inf"))


def test_starts_are_plans_of_narrower_rules(monkeypatch: pytest.MonkeyPatch) -> None:
    real, starts = solve.solve, []

    def watched(problem: Any, effort: Any, start: Any = None) -> Any:
        starts.append(None if start is None else start.cost)
        return real(problem, effort, start)

    monkeypatch.setattr(solve, "solve", watched)
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")])
    planned(model, make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10")))
    assert starts == [None, 2]


@pytest.mark.parametrize(
    ("maker_price", "offers", "expected_cost"), [("0.60", [1, 3, 1], "1.60"), ("0.10", [1, 3, 2, 1], "0.40")]
)
def test_a_plan_of_more_vendors_that_needs_no_more_is_taken(
    monkeypatch: pytest.MonkeyPatch, maker_price: str, offers: list[int], expected_cost: str
) -> None:
    """Flexible is planned only where the plan of any mix buys at the maker's shop. Its bound holds for fewer vendors."""
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "blue", "0.40"), offer("b", "brick", "red", "0.50"), offer("till", "brick", "blue", maker_price)
    )  # fmt: skip
    sizes: list[int] = []
    original = solve.solve

    def sized(problem: Problem, *rest: Any) -> Any:
        sizes.append(problem.offers.height)
        return original(problem, *rest)

    monkeypatch.setattr(solve, "solve", sized)
    found = planned(model, market, **TILL)
    assert sizes == offers  # listed, cheapest, flexible if it must be, and the maker's order
    assert costs(found) | {"maker_first": 0} == {
        "listed": Decimal("2.00"), "flexible": Decimal("1.60"), "maker_marked": Decimal("1.60"), "cheapest": Decimal(expected_cost),
        "maker_first": 0,
    }  # fmt: skip
    assert all(row["lower_bound"] == row["landed_cost"] for row in found.tables["model_cost"].iter_rows(named=True))


def test_one_more_flexibility_that_ties_colours_together_is_not_a_wider_rule() -> None:
    """The listed plan has two colours, so it can't start or replace a plan that wants one."""
    flexible_lines = [flexibility(n, "any_one", group_code="g") for n in (1, 2)]
    model = make_model([line(1, "brick", "red", 4), line(2, "brick", "blue", 4)], flexible_lines)
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("b", "brick", "blue", "0.10"), offer("b", "brick", "grey", "0.50")
    )
    found = planned(model, market)
    assert {row["colour_code"] for row in only(found, "flexible", "plan_line")} in ({"red"}, {"blue"})


@settings(max_examples=examples(8, 60), deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(["0.40", "0.50", "0.60"]), st.integers(0, 3)), min_size=3, max_size=3),
    st.lists(st.sampled_from(["0.05", "1", "5"]), min_size=3, max_size=3),
)
def test_orders_in_other_colours_are_left_out_only_where_they_would_not_count(makers: Any, others: Any) -> None:
    """The maker has two bricks in some colours; an independent has the plates of the same colour group."""
    model = make_model(
        [line(1, "brick", "red", 2), line(2, "plate", "red", 2)],
        [flexibility(number, "any_one", group_code="g") for number in (1, 2)],
    )
    colours = ("red", "blue", "grey")
    bricks = [offer("till", "brick", colour, price, n) for colour, (price, n) in zip(colours, makers, strict=True) if n]
    plates = [offer("a", "plate", colour, price) for colour, price in zip(colours, others, strict=True)]
    market = make_market(*bricks, *plates)
    screened = planned(model, market, **TILL)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(MakerFirst, "_may_be_as_good", lambda *_: True)
        every = planned(model, market, **TILL)
    assert all(every.tables[name].equals(frame) for name, frame in screened.tables.items())


def test_an_order_in_a_colour_with_too_few_pieces_is_not_planned(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[bool] = []
    real = MakerFirst._may_be_as_good

    def noted(self: Any, *given: Any) -> bool:
        asked.append(real(self, *given))
        return asked[-1]

    monkeypatch.setattr(MakerFirst, "_may_be_as_good", noted)
    model = make_model(
        [line(1, "brick", "red", 2), line(2, "plate", "red", 2)],
        [flexibility(number, "any_one", group_code="g") for number in (1, 2)],
    )
    few, dear, equal = (
        offer("till", "brick", "grey", "0.10", 1), offer("till", "brick", "brick", "0.60"),
        offer("till", "brick", "blue", "0.50"),
    )  # fmt: skip
    planned(model, make_market(offer("till", "brick", "red", "0.50"), few, dear, equal), scenarios=(), **TILL)
    assert sorted(set(asked)) == [False, True] and asked.count(False) >= 2 * asked.count(True)
