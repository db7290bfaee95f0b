from dataclasses import replace
from decimal import Decimal

import polars as pl
import pytest
from costing_cases import (
    BUYER,
    DAY,
    freedom,
    line,
    make_inputs,
    make_market,
    make_model,
    make_summaries,
    offer,
    terms,
    vendor,
)  # fmt: skip
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.costing import planning
from pipelines.costing.planning import plan_model
from pipelines.insight.savings import colour_flex_savings
from pipelines.settings import RefreshSettings, Scenario
from schemas.savings import COLOUR_FLEX_SAVING
from schemas.validate import polars_schema
from tests.length import examples

PLATES = [line(9, "plate", "grey", 10)]


def saved(model, market, last_seen=None, scenarios=(), workers=1, change=None, **tables):
    inputs = make_inputs((model,), (BUYER,), scenarios, **tables)
    refresh = RefreshSettings(workers=workers)
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"refresh": refresh}))
    seen = market if last_seen is None else last_seen
    plans = plan_model(inputs, model, DAY, BUYER, market, seen, make_summaries(), "standard").tables
    if change is not None:
        plans = change(plans)
    found = colour_flex_savings(inputs, market, plans, DAY)
    assert found.schema == polars_schema(COLOUR_FLEX_SAVING)
    assert set(found["saving_view"]) <= {"last"} and set(found["scenario_code"]) <= {"freed", "best"}
    return found


def of(found, scenario="freed"):
    rows = found.filter(pl.col("scenario_code") == scenario)
    return {row["line_number"]: (row["saving"], row["is_told_apart"]) for row in rows.iter_rows(named=True)}


def test_a_freedom_saves_the_difference_in_price():
    model = make_model([line(1, "brick", "red", 4), *PLATES], [freedom(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "plate", "grey", "1")
    )
    found = saved(model, market)
    assert of(found) == {1: (Decimal("1.60"), True)} == of(found, "best")
    row = found.row(0, named=True)
    assert (row["listed_part_code"], row["listed_colour_code"], row["colour_rule"], row["quantity"]) == (
        "brick",
        "red",
        "any",
        4,
    )


def test_lines_without_a_freedom_and_amendments_have_no_row():
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "brick", "red", 4)],
        [freedom(2, "as_listed")],
        [{"line_number": 90, "amendment_action": "add", "part_code": "plate", "quantity": 5}],
    )
    assert saved(model, make_market(offer("a", "brick", "red", "0.50"), offer("a", "plate", "red", "1"))).height == 0


def test_a_line_bought_in_its_listed_colour_saves_exactly_nothing(monkeypatch):
    model = make_model([line(1, "brick", "red", 4)], [freedom(1, "any")])
    market = make_market(offer("a", "brick", "red", "0.10"), offer("a", "brick", "blue", "0.50"))
    assert of(saved(model, market)) == {1: (0, False)}


def test_shipping_of_a_further_vendor_counts():
    """The red bricks are with b only: held, the plan pays b's shipping as well."""
    model = make_model([line(1, "brick", "red", 4), *PLATES], [freedom(1, "any")])
    market = make_market(
        offer("b", "brick", "red", "0.10"), offer("a", "brick", "blue", "0.30"), offer("a", "plate", "grey", "1")
    )
    rows = [terms("a", shipping_charge="5"), terms("b", shipping_charge="3"), terms("c")]
    assert of(saved(model, market, vendor_terms=rows)) == {1: (Decimal("2.20"), True)}


def test_holding_a_line_lets_others_move_along():
    """With b's parcel paid for by the held line, the plates come from b, too."""
    model = make_model([line(1, "brick", "red", 4), *PLATES], [freedom(1, "any")])
    market = make_market(
        offer("b", "brick", "red", "0.10"), offer("a", "brick", "blue", "0.30"),
        offer("a", "plate", "grey", "1"), offer("b", "plate", "grey", "0.80"),
    )  # fmt: skip
    rows = [terms("a", shipping_charge="1"), terms("b", shipping_charge="4"), terms("c")]
    # Freed: all from a, 1.20 + 10 + 1 = 12.20. Held: all from b, 0.40 + 8 + 4 = 12.40.
    assert of(saved(model, market, vendor_terms=rows)) == {1: (Decimal("0.20"), True)}


def test_a_minimum_that_the_line_helped_to_reach():
    """Without the line's blue pieces the order at a would fall short: keeping them as spares is one way out."""
    model = make_model([line(1, "brick", "red", 4), *PLATES], [freedom(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.60", 4, listing_code="x"), offer("a", "brick", "blue", "0.50", 4),
        offer("a", "plate", "grey", "1", 10),
    )  # fmt: skip
    rows = [terms("a", minimum_order="12"), terms("b"), terms("c")]
    assert of(saved(model, market, vendor_terms=rows)) == {1: (Decimal("0.40"), True)}


def test_several_portions_of_a_line_are_held_together():
    freedoms = [
        freedom(1, "any", portion_number=1, quantity=3),
        freedom(1, "one_of", portion_number=2, quantity=5, accept_colour_codes="grey"),
    ]
    model = make_model([line(1, "brick", "red", 10)], freedoms)
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "brick", "grey", "0.20")
    )
    found = saved(model, market)
    assert of(found) == {1: (Decimal("2.70"), True)}
    assert found.select("colour_rule", "quantity").rows()[0] == ("one_of", 8)


def test_a_held_line_leaves_its_colour_group():
    freedoms = [freedom(n, "any_one", group_code="g") for n in (1, 2)]
    model = make_model([line(1, "brick", "red", 4), line(2, "plate", "red", 4)], freedoms)
    market = make_market(
        *[
            offer("a", part, colour, price)
            for part in ("brick", "plate")
            for colour, price in (("red", "0.50"), ("blue", "0.10"))
        ]
    )
    assert of(saved(model, market)) == {1: (Decimal("1.60"), True), 2: (Decimal("1.60"), True)}


def test_a_colour_nobody_sells_is_estimated_and_never_told_apart():
    model = make_model([line(1, "brick", "red", 4)], [freedom(1, "any")])
    now = make_market(offer("a", "brick", "blue", "0.10"))
    seen = make_market(offer("a", "brick", "blue", "0.10"), offer("b", "brick", "red", "0.70", 0))
    assert of(saved(model, now, seen)) == {1: (Decimal("2.40"), False)}
    assert of(saved(model, now)) == {}
    some = make_market(offer("a", "brick", "blue", "0.10"), offer("b", "brick", "red", "0.30", 1))
    assert of(saved(model, some, seen)) == {1: (Decimal("2.00"), False)}


def test_a_refused_listed_colour_has_nothing_to_compare_with():
    model = make_model([line(1, "brick", "red", 4)], [freedom(1, "any", refuse_colour_codes="red")])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"))
    assert of(saved(model, market)) == {}


def test_the_gap_of_the_published_plan_hides_small_savings():
    model = make_model([line(1, "brick", "red", 4), *PLATES], [freedom(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "plate", "grey", "1")
    )

    def with_bound(bound):
        def change(plans):
            cost = plans["model_cost"].with_columns(pl.lit(Decimal(bound), pl.Decimal(18, 4)).alias("lower_bound"))
            return {**plans, "model_cost": cost}

        return of(saved(model, market, change=change))

    assert with_bound("10.40") == {1: (Decimal("1.60"), True)}
    assert with_bound("8.90") == {1: (Decimal("1.60"), True)}
    assert with_bound("8.80") == {1: (Decimal("1.60"), False)}
    assert with_bound("0") == {1: (Decimal("1.60"), False)}


def test_a_cheaper_plan_found_on_the_way_is_no_negative_saving(monkeypatch):
    """The published plan is poor: its plates are dear. The re-plan finds better ones; the freedom did not cost a thing."""
    model = make_model([line(1, "brick", "red", 1), *PLATES], [freedom(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.40"), offer("a", "plate", "grey", "1"),
        offer("b", "plate", "grey", "2"),
    )  # fmt: skip
    real = planning.mip.solve
    monkeypatch.setattr(planning.mip, "solve", lambda problem, effort, start=None: _dear(real, problem, effort))
    inputs = make_inputs((model,))
    plans = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "standard").tables
    monkeypatch.setattr(planning.mip, "solve", real)
    inputs = replace(inputs, settings=inputs.settings.model_copy(update={"refresh": RefreshSettings(workers=1)}))
    found = of(colour_flex_savings(inputs, market, plans, DAY))
    assert found[1][0] >= 0
    assert plans["model_cost"].filter(pl.col("scenario_code") == "freed")["landed_cost"][0] > 20
    assert found == {1: (0, False)}


def _dear(real, problem, effort):
    """Plates from b only, and a bound to match, as a solver that stops early would have it."""
    plates = problem.offers.filter((pl.col("part_code") == "plate") & (pl.col("vendor_code") == "a"))["offer_index"]
    found = real(replace(problem, uses=problem.uses.filter(~pl.col("offer_index").is_in(plates.implode()))), effort)
    return replace(found, lower_bound=found.cost)


def test_refused_plans_and_counter_first_rules_have_no_savings():
    model = make_model([line(1, "brick", "red", 4)], [freedom(1, "any")])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"))

    def refused(plans):
        return {**plans, "model_cost": plans["model_cost"].with_columns(pl.lit("refused").alias("plan_status"))}

    assert saved(model, market, change=refused).height == 0
    own = Scenario(scenario_code="freed", title="x", counter="marked")
    assert of(saved(model, market, scenarios=(own,))) == {}
    assert of(saved(model, market, scenarios=(own,)), "best") == {1: (Decimal("1.60"), True)}


def test_make_ups_can_serve_a_held_line():
    make_ups = [{"part_code": "long", "make_up_code": "m", "component_part_code": "half", "component_count": 2}]
    model = make_model([line(1, "long", "red", 4), *PLATES], [freedom(1, "any", is_load_bearing="false")])
    market = make_market(
        offer("a", "half", "blue", "0.10"), offer("a", "half", "red", "0.20"), offer("a", "long", "red", "0.90"),
        offer("a", "plate", "grey", "1"),
    )  # fmt: skip
    assert of(saved(model, market, make_ups=make_ups)) == {1: (Decimal("0.80"), True)}


@pytest.mark.slow
def test_several_processes_find_the_same():
    model = make_model([line(n, "brick", "red", n) for n in (1, 2, 3)], [freedom(n, "any") for n in (1, 2, 3)])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("b", "brick", "blue", "0.10"))
    assert saved(model, market, workers=2).equals(saved(model, market))


@settings(max_examples=examples(6, 20), deadline=None)
@given(
    lines=st.lists(st.tuples(st.sampled_from(["brick", "plate"]), st.sampled_from(["red", "blue"]), st.integers(1, 6)), min_size=1, max_size=3),
    offers=st.lists(
        st.tuples(st.sampled_from("ab"), st.sampled_from(["brick", "plate"]), st.sampled_from(["red", "blue", "grey"]), st.integers(1, 50), st.integers(1, 20)),
        min_size=2, max_size=8, unique_by=lambda row: row[:3],
    ),
    shipping=st.integers(0, 2),
)  # fmt: skip
def test_with_two_vendors_the_saving_is_the_cost_of_the_line_as_listed(lines, offers, shipping):
    """With no vendor left out, the saving of a full plan is the difference to planning the line as listed."""
    rows = [line(n, *given_line) for n, given_line in enumerate(lines, 1)]
    freedoms = [freedom(n, "any") for n in range(1, len(lines) + 1)]
    market = make_market(*[offer(v, p, c, str(Decimal(cents) / 100), q) for v, p, c, cents, q in offers])
    tables = {
        "vendors": [vendor("a"), vendor("b")],
        "vendor_terms": [terms(code, shipping_charge=str(shipping)) for code in "ab"],
    }

    def freed_cost(model):
        inputs = make_inputs((model,), **{name: list(rows) for name, rows in tables.items()})
        cost = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "standard").tables["model_cost"]
        return cost.filter(pl.col("scenario_code") == "freed").row(0, named=True)

    free = freed_cost(make_model(rows, freedoms))
    found = of(saved(make_model(rows, freedoms), market, **{name: list(rows) for name, rows in tables.items()}))
    for number in range(1, len(lines) + 1):
        held = freed_cost(
            make_model(rows, [given_freedom for given_freedom in freedoms if given_freedom["line_number"] != number])
        )
        if number in found:
            saving, is_told_apart = found[number]
            assert saving >= 0
            if held["unfilled_piece_count"] == free["unfilled_piece_count"]:
                assert saving == held["landed_cost"] - free["landed_cost"]
                assert is_told_apart == (saving > 0)
            else:
                assert not is_told_apart
