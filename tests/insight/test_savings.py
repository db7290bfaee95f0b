"""What flexible lines save in small markets whose plans are known, and which lines to look at first."""

from decimal import Decimal
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipelines.insight.flexibility.model_games import ModelGames
from pipelines.insight.flexibility.savings import FlexibilitySavings
from pipelines.insight.replanning.published_plans import published_plans
from pipelines.planning.scenarios import plan_model
from pipelines.settings import Scenario
from tests.builders.length import examples
from tests.builders.markets import (
    BUYER,
    DAY,
    flexibility,
    line,
    make_inputs,
    make_market,
    make_model,
    make_summaries,
    offer,
    terms,
)
from tests.builders.savings_found import (
    PLATES,
    costs,
    distinct,
    of_scenario,
    saved,
    two_vendors,
    with_bounds,
    worked_out,
)

# Savings of granted flexible lines


def test_a_flexibility_saves_the_difference_in_price() -> None:
    model = make_model([line(1, "brick", "red", 4), *PLATES], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "plate", "grey", "1")
    )
    found = worked_out(model, market)
    for view in ("alone", "last", "fair"):
        assert saved(found, view) == {1: Decimal("1.60")}
        assert distinct(found, view) == ([] if view == "fair" else [1])
    row = found["colour_flex_saving"].row(0, named=True)
    named = ("listed_part_code", "listed_colour_code", "colour_rule", "quantity", "flexible_line_count", "interplay")
    assert [row[name] for name in named] == ["brick", "red", "any", 4, 1, "none"]
    assert costs(found) == {"none": 0, "both": Decimal("1.60"), "colour": Decimal("1.60"), "substitutes": 0}
    assert costs(found, "complete_cost")["colour"] == Decimal("10.40")
    assert set(costs(found, "share_basis").values()) == {"exact"}


def test_lines_without_a_flexibility_and_amendments_have_no_row() -> None:
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "brick", "red", 4)],
        [flexibility(2, "as_listed")],
        [{"line_number": 90, "amendment_action": "add", "part_code": "plate", "quantity": 5}],
    )
    found = worked_out(model, make_market(offer("a", "brick", "red", "0.50"), offer("a", "plate", "red", "1")))
    assert found["colour_flex_saving"].height == 0
    assert found["look_first"]["line_number"].to_list() == [1]
    row = found["flexibility_cost"].row(0, named=True)
    assert (row["line_count"], row["decided_line_count"], row["decided_share"]) == (2, 1, 0.5)


def test_a_flexibility_that_saves_nothing_says_so() -> None:
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "plate", "red", 3)], [flexibility(1, "any"), flexibility(2, "any")]
    )
    market = make_market(
        offer("a", "brick", "red", "0.10"), offer("a", "brick", "blue", "0.50"), offer("a", "plate", "red", "0.50"),
        offer("a", "plate", "blue", "0.20"),
    )  # fmt: skip
    found = worked_out(model, market)
    for view in ("alone", "last", "fair"):
        assert saved(found, view) == {1: 0, 2: Decimal("0.90")}
        assert distinct(found, view) == ([] if view == "fair" else [2])


def test_two_lines_that_only_together_do_without_a_vendor() -> None:
    """Red bricks and red plates are with b only, who takes 3 for a parcel; either alone still needs b."""
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "plate", "red", 4), line(9, "tile", "grey", 10)],
        [flexibility(1, "any"), flexibility(2, "any")],
    )
    market = make_market(
        *[offer("b", part, "red", "0.10") for part in ("brick", "plate")],
        *[offer("a", part, "blue", "0.10") for part in ("brick", "plate")],
        offer("a", "tile", "grey", "1"),
    )
    rows = [terms("a", shipping_charge="5"), terms("b", shipping_charge="3"), terms("c")]
    found = worked_out(model, market, vendor_terms=rows)
    assert saved(found, "alone") == {1: 0, 2: 0}
    assert saved(found, "last") == {1: 3, 2: 3}
    assert saved(found, "fair") == {1: Decimal("1.50"), 2: Decimal("1.50")}
    reported = found["colour_flex_saving"].unique("line_number").sort("line_number")
    assert reported.select("interplay", "interplay_line_numbers").rows() == [("vendor", "2"), ("vendor", "1")]


def test_two_lines_that_want_the_same_stock() -> None:
    """Four blue bricks, and two lines that would take them."""
    model = make_model([line(n, "brick", "red", 4) for n in (1, 2)], [flexibility(n, "any") for n in (1, 2)])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10", 4))
    found = worked_out(model, market)
    assert saved(found, "alone") == {1: Decimal("1.60"), 2: Decimal("1.60")}
    assert saved(found, "last") == {1: 0, 2: 0}
    assert saved(found, "fair") == {1: Decimal("0.80"), 2: Decimal("0.80")}
    reported = found["colour_flex_saving"].unique("line_number").sort("line_number")
    assert reported.select("interplay", "interplay_line_numbers").rows() == [("stock", "2"), ("stock", "1")]


def test_equal_lines_differ_by_a_cent_at_most_where_the_total_does_not_divide() -> None:
    model = make_model([line(n, "brick", "red", 1) for n in (1, 2, 3)], [flexibility(n, "any") for n in (1, 2, 3)])
    market = make_market(offer("a", "brick", "red", "1"), offer("a", "brick", "blue", "0", 2))
    found = worked_out(model, market)
    assert saved(found) == {1: Decimal("0.67"), 2: Decimal("0.67"), 3: Decimal("0.66")}


def test_a_minimum_that_the_line_helped_to_reach_is_filled_up_otherwise() -> None:
    model = make_model([line(1, "brick", "red", 4), *PLATES], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.60", 4, listing_code="x"), offer("a", "brick", "blue", "0.50", 4),
        offer("a", "plate", "grey", "1", 10),
    )  # fmt: skip
    found = worked_out(model, market, vendor_terms=[terms("a", minimum_order="12"), terms("b"), terms("c")])
    assert saved(found) == {1: Decimal("0.40")}


def test_several_portions_of_a_line_are_one_flexibility() -> None:
    flexible_lines = [
        flexibility(1, "any", portion_number=1, quantity=3),
        flexibility(1, "one_of", portion_number=2, quantity=5, accept_colour_codes="grey"),
    ]
    model = make_model([line(1, "brick", "red", 10)], flexible_lines)
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "brick", "grey", "0.20")
    )
    found = worked_out(model, market)
    assert saved(found) == {1: Decimal("2.70")}
    assert found["colour_flex_saving"].select("colour_rule", "quantity").rows()[0] == ("one_of", 8)


def test_lines_that_must_be_alike_are_flexible_together_and_share_evenly() -> None:
    """In blue both cost less; in grey only the bricks would, so that one flexible without the other would be a mismatch."""
    flexible_lines = [flexibility(n, "any_one", group_code="g") for n in (1, 2)]
    model = make_model([line(1, "brick", "red", 4), line(2, "plate", "red", 4)], flexible_lines)
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "plate", "red", "0.50"), offer("a", "brick", "blue", "0.30"),
        offer("a", "plate", "blue", "0.40"), offer("a", "brick", "grey", "0.10"),
    )  # fmt: skip
    found = worked_out(model, market)
    assert saved(found) == {1: Decimal("0.60"), 2: Decimal("0.60")}
    assert saved(found, "alone") == saved(found, "last") == {1: Decimal("1.20"), 2: Decimal("1.20")}
    assert set(found["colour_flex_saving"]["flexible_line_count"]) == {2}


def test_a_colour_nobody_sells_is_estimated_and_never_reported_apart() -> None:
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")])
    now = make_market(offer("a", "brick", "blue", "0.10"))
    seen = make_market(offer("a", "brick", "blue", "0.10"), offer("b", "brick", "red", "0.70", 0))
    found = worked_out(model, now, seen)
    assert (saved(found), distinct(found)) == ({1: Decimal("2.40")}, [])
    assert saved(worked_out(model, now)) == {}, "without any price as listed there is nothing to compare with"
    some = make_market(offer("a", "brick", "blue", "0.10"), offer("b", "brick", "red", "0.30", 1))
    assert saved(worked_out(model, some, seen)) == {1: Decimal("2.00")}


def test_a_refused_listed_colour_has_nothing_to_compare_with() -> None:
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, "any", refuse_colour_codes="red")])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"))
    assert saved(worked_out(model, market)) == {}


def test_plans_of_single_lines_close_the_gaps_of_the_published_ones() -> None:
    model = make_model([line(1, "brick", "red", 4), *PLATES], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "plate", "grey", "1")
    )

    def views(listed_bound: Any, flexible_bound: Any) -> Any:
        found = worked_out(model, market, change=with_bounds(listed_bound, flexible_bound))
        assert set(saved(found).values()) == {Decimal("1.60")}
        rows = found["colour_flex_saving"].filter(pl.col("saving_basis") == "planned")
        ends = {view: (low, high) for view, low, high in rows.select("saving_view", "saving_low", "saving_high").rows()}
        return [*ends.values(), *(view for view in ("alone", "last", "fair") if distinct(found, view))]

    true = (Decimal("1.60"), Decimal("1.60"))
    assert views("12.00", "10.40") == [true, true, "alone", "last"]
    # The only line's own plans are the same two again, and proven: their bounds take the place of the lower published ones.
    assert views("11.20", "9.60") == [true, true, "alone", "last"]


def test_refused_plans_and_other_rules_for_the_plan_as_listed_have_no_savings() -> None:
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, "any")])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"))

    def refused(*codes: Any) -> Any:
        def change(plans: Any) -> Any:
            status = pl.when(pl.col("scenario_code").is_in(codes)).then(pl.lit("refused")).otherwise("plan_status")
            return {**plans, "model_cost": plans["model_cost"].with_columns(status.alias("plan_status"))}

        return worked_out(model, market, change=change)

    free = Scenario(scenario_code="listed", title="x", use_flexibility=True, use_substitutes=False)
    marked = Scenario(scenario_code="flexible", title="x", maker="marked")
    for found in (
        refused("flexible"),
        refused("listed"),
        worked_out(model, market, scenarios=(free,)),
        worked_out(model, market, scenarios=(marked,)),
    ):
        assert all(frame.height == 0 for frame in found.values())


COMBINATIONS = [{"part_code": "long", "combination_code": "m", "component_part_code": "half", "component_count": 2}]


def test_forms_have_savings_of_their_own_and_all_shares_add_up_together() -> None:
    """A long brick of two halves: free as listed already, since it bears no load; in blue only with the flexibility of colour."""
    model = make_model([line(1, "long", "red", 4), *PLATES], [flexibility(1, "any", is_load_bearing="false")])
    market = make_market(
        offer("a", "half", "blue", "0.10"), offer("a", "half", "red", "0.20"), offer("a", "long", "red", "0.90"),
        offer("a", "long", "blue", "0.80"), offer("a", "plate", "grey", "1"),
    )  # fmt: skip
    found = worked_out(model, market, combinations=COMBINATIONS)
    colour, form = saved(found)[1], saved(found, table="substitute_saving")[1]
    # Both 2.80, colour alone 0.40, form alone 2.00: half of what remains goes to each.
    assert (colour, form) == (Decimal("0.60"), Decimal("2.20"))
    assert saved(found, "alone", "substitute_saving") == {1: Decimal("2.00")}
    assert saved(found, "last") == {1: Decimal("0.80")}
    assert costs(found) == {
        "none": 0,
        "both": Decimal("2.80"),
        "colour": Decimal("0.40"),
        "substitutes": Decimal("2.00"),
    }


LINES = st.lists(
    st.tuples(st.sampled_from(["brick", "plate"]), st.sampled_from(["red", "blue"]), st.integers(1, 6)),
    min_size=1,
    max_size=4,
)


def offers(stock: Any) -> Any:
    return st.lists(
        st.tuples(
            st.sampled_from("ab"),
            st.sampled_from(["brick", "plate"]),
            st.sampled_from(["red", "blue", "grey"]),
            st.integers(1, 50),
            stock,
        ),
        min_size=2,
        max_size=9,
        unique_by=lambda row: row[:3],
    )


@settings(max_examples=examples(5, 80), deadline=None)
@given(lines=LINES, rows=offers(st.integers(1, 12)), shipping=st.integers(0, 2), data=st.data())
def test_shares_add_up_to_the_cent_in_any_market(lines: Any, rows: Any, shipping: Any, data: Any) -> None:
    parts = [line(n, *given_line) for n, given_line in enumerate(lines, 1)]
    rules = [
        data.draw(st.sampled_from([("any", {}), ("one_of", {"accept_colour_codes": "grey"}), None])) for _ in lines
    ]
    flexible_lines = [flexibility(n, rule[0], **rule[1]) for n, rule in enumerate(rules, 1) if rule]
    market = make_market(*[offer(v, p, c, str(Decimal(cents) / 100), q) for v, p, c, cents, q in rows])
    found = worked_out(make_model(parts, flexible_lines), market, **two_vendors(shipping))
    if not found["flexibility_cost"].height:
        return
    total, fair = costs(found), saved(found)
    assert total["none"] <= min(total.get("colour", total["both"]), total.get("substitutes", 0)) <= total["both"]
    if set(costs(found, "share_basis").values()) != {"none"} or not total["both"]:
        assert sum(fair.values()) == total["both"]
    for view in ("alone", "last"):
        assert all(amount >= 0 for amount in saved(found, view).values())
    looks = found["look_first"].sort("look_rank")
    assert sorted(looks["line_number"]) == [n for n, rule in enumerate(rules, 1) if not rule]
    assert (looks["look_saving_so_far"] <= looks["best_look_saving"]).all()
    assert looks["look_saving_so_far"].is_sorted() and looks["best_look_saving"].is_sorted()


@settings(max_examples=examples(2, 40), deadline=None)
@given(lines=LINES.map(lambda lines: lines[:3]), rows=offers(st.just(100)), shipping=st.integers(0, 2))
@example([("brick", "red", 1)] * 3, [("a", "brick", "blue", 1, 100), ("b", "brick", "red", 25, 100)], 1)
def test_with_stock_for_all_the_estimation_is_what_planning_says(lines: Any, rows: Any, shipping: Any) -> None:
    """Two vendors with flat shipping and stock for everything: then nothing in the estimate is left out.

    The example: with one of three lines free both vendors are ordered from, with none or all of them only one.
    """
    parts = [line(n, *given_line) for n, given_line in enumerate(lines, 1)]
    numbers = range(1, len(lines) + 1)
    market = make_market(*[offer(v, p, c, str(Decimal(cents) / 100), q) for v, p, c, cents, q in rows])
    tables = two_vendors(shipping)

    def planned(free: Any) -> Any:
        model = make_model(parts, [flexibility(n, "any" if n in free else "as_listed") for n in numbers])
        return of_scenario(model, market, "flexible", **tables)

    listed, flexible = planned(()), planned(numbers)
    if listed["unfilled_piece_count"]:
        return
    found = worked_out(make_model(parts, [flexibility(n, "any") for n in numbers]), market, **two_vendors(shipping))
    for number in numbers:
        others = [n for n in numbers if n != number]
        assert saved(found, "alone")[number] == listed["landed_cost"] - planned([number])["landed_cost"]
        assert saved(found, "last")[number] == planned(others)["landed_cost"] - flexible["landed_cost"]
    looked = worked_out(
        make_model(parts, [flexibility(n, "as_listed") for n in numbers[1:]]), market, **two_vendors(shipping)
    )
    assert looked["look_first"]["look_saving"][0] == saved(found, "alone")[1]


def test_a_flexibility_that_would_cost_more_goes_unused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Freeing more never costs more, whatever the estimate of a block says: here each flexibility seems to cost 1."""

    def dearer_with_each(games: Any, portions: Any, flags: Any) -> Any:
        return np.full(len(games.mixes.sets), float(sum(flags)))

    monkeypatch.setattr(ModelGames, "_apart", dearer_with_each)
    market = make_market(*(offer(vendor, "plate", colour, "0.10") for vendor in "ab" for colour in ("red", "blue")))
    model = make_model(
        [line(1, "plate", "red", 5), line(2, "plate", "red", 5)], [flexibility(1, "any"), flexibility(2, "any")]
    )
    inputs = make_inputs((model,), **two_vendors(1))
    plans = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "quick").tables
    game = FlexibilitySavings(inputs, published_plans(inputs, market, plans, DAY, ("flexible",))[0]).game
    assert [len(block.players) for block in game.blocks] == [1, 1]
    assert all((block.costs == 0).all() for block in game.blocks)


# Lines nobody has decided
