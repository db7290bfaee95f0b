"""Savings that plans show: they hold whatever the estimate says, and only what all their values show is clear."""

from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.costing.terms_on import terms_on
from pipelines.demand.model_portions import portions_on
from pipelines.insight.flexibility.line_plans import LinePlans, lines_that_matter
from pipelines.insight.flexibility.savings import FlexibilitySavings
from pipelines.insight.replanning.published_plans import published_plans
from pipelines.planning.candidates import candidates
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
    vendor,
)
from tests.builders.savings_found import PLATES, distinct, saved, with_bounds, worked_out
from tests.oracle.brute_force import best_plan

COLOURS_ONLY = Scenario(scenario_code="flexible", title="x", use_substitutes=False)


def basis(found: Any, view: str, table: str = "colour_flex_saving") -> Any:
    rows = found[table].filter(pl.col("saving_view") == view)
    return dict(rows.select("line_number", "saving_basis").iter_rows())


def ranges(found: Any, view: str, table: str = "colour_flex_saving") -> Any:
    rows = found[table].filter(pl.col("saving_view") == view)
    return {number: ends for number, *ends in rows.select("line_number", "saving_low", "saving_high").iter_rows()}


# Whatever the market


MARKETS = st.fixed_dictionaries(
    {
        "lines": st.lists(
            st.tuples(st.sampled_from(["brick", "plate"]), st.sampled_from(["red", "blue"]), st.integers(1, 2)),
            min_size=1,
            max_size=3,
        ),
        "offers": st.lists(
            st.tuples(
                st.sampled_from("ab"),
                st.sampled_from(["brick", "plate"]),
                st.sampled_from(["red", "blue", "grey"]),
                st.integers(1, 300),
                st.integers(1, 3),
            ),
            min_size=2,
            max_size=5,
            unique_by=lambda row: row[:3],
        ),
        "shipping": st.integers(0, 2),
        "minimum": st.integers(0, 3),
        "free_from": st.sampled_from([None, 2, 4]),
        "slack": st.sampled_from([Decimal(0), Decimal("0.05"), Decimal("0.4")]),
    }
)


@settings(max_examples=examples(12, 600), deadline=None)
@given(market=MARKETS)
def test_true_savings_lie_in_the_published_ranges_and_none_of_0_is_clear(market: Any) -> None:
    """The truth is brute force over all plans of models in which only some lines are flexible.

    ``slack``: the bounds of the published plans are lowered by that share, as if less were proven.
    """
    lines, shipping = market["lines"], market["shipping"]
    free = {} if market["free_from"] is None else {"shipping_waived_from": str(market["free_from"])}
    tables = {
        "vendors": [vendor("a"), vendor("b")],
        "vendor_terms": [
            terms("a", shipping_charge=str(shipping), **free),
            terms("b", shipping_charge="1", minimum_order=str(market["minimum"])),
        ],
    }
    parts = [line(number, *given_line) for number, given_line in enumerate(lines, 1)]
    numbers = range(1, len(lines) + 1)
    offers = make_market(*[offer(v, p, c, str(Decimal(cents) / 100), q) for v, p, c, cents, q in market["offers"]])

    def best(free_lines: Any) -> Any:
        model = make_model(parts, [flexibility(n, "any" if n in free_lines else "as_listed") for n in numbers])
        inputs = make_inputs((model,), **{name: list(rows) for name, rows in tables.items()})
        book = terms_on(inputs, DAY, BUYER)
        portions = portions_on(model, DAY, True)
        return best_plan(candidates(portions, offers, inputs, DAY, COLOURS_ONLY, book).problem(book, COLOURS_ONLY))

    def with_slack(plans: Any) -> Any:
        lowered = (pl.col("landed_cost") * (1 - market["slack"])).floor().cast(pl.Decimal(18, 4))
        changes = [
            pl.min_horizontal("lower_bound", lowered).alias("lower_bound"),
            pl.lit("bounded").alias("plan_status"),
        ]
        return {**plans, "model_cost": plans["model_cost"].with_columns(changes if market["slack"] else [])}

    found = worked_out(
        make_model(parts, [flexibility(n, "any") for n in numbers]), offers, change=with_slack, effort="quick", **tables
    )
    if not found["flexibility_cost"].height:
        return
    truth = {ends: best(ends) for ends in {frozenset(), frozenset(numbers)}}

    def check(less: Any, more: Any, row: Any) -> None:
        (missing_before, before), (missing_after, after) = (truth.setdefault(each, best(each)) for each in (less, more))
        if row["saving_low"] is None:
            assert not row["is_distinct"]
            return
        assert missing_before == missing_after, "a planned saving compares plans that lack as many pieces"
        assert row["saving_low"] <= before - after <= row["saving_high"]
        assert row["is_distinct"] == (row["saving_low"] > 0)
        assert not (row["is_distinct"] and before == after)

    for row in found["colour_flex_saving"].iter_rows(named=True):
        own = frozenset([row["line_number"]])
        if row["saving_view"] == "alone":
            check(frozenset(), own, row)
        elif row["saving_view"] == "last":
            check(frozenset(numbers) - own, frozenset(numbers), row)
        else:
            assert (row["saving_basis"], row["is_distinct"]) == ("estimated", False)
    if truth[frozenset()][0] == truth[frozenset(numbers)][0]:
        for row in found["flexibility_cost"].iter_rows(named=True):
            if row["flexibility_allowed"] in ("both", "colour"):
                check(frozenset(), frozenset(numbers), row)
                assert row["saving_low"] is None or row["saving_low"] <= row["total_saving"] <= row["saving_high"]


# One case at a time


def threshold_market() -> Any:
    """Free shipping from 10 at a, which red bricks reach to the cent; blue ones are cheaper and would miss it."""
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "tile", "red", 4), *PLATES], [flexibility(1, "any"), flexibility(2, "any")]
    )
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "plate", "grey", "0.80", 10),
        offer("b", "tile", "red", "1.00"), offer("b", "tile", "blue", "0.50"),
    )  # fmt: skip
    rows = [terms("a", shipping_charge="5", shipping_waived_from="10"), terms("b"), terms("c")]
    return model, market, {"vendor_terms": rows}


def test_plans_are_right_where_a_threshold_makes_the_estimate_wrong() -> None:
    model, market, tables = threshold_market()
    inputs = make_inputs((model,), **{name: list(rows) for name, rows in tables.items()})
    plans = plan_model(inputs, model, DAY, BUYER, market, market, make_summaries(), "standard").tables
    published = published_plans(inputs, market, plans, DAY, ("flexible",))[0]
    estimated = {
        (row["line_number"], row["saving_view"]): row["saving"]
        for row in FlexibilitySavings(inputs, published).estimated["colour_flex_saving"]
    }
    found = worked_out(model, market, **tables)
    for view in ("alone", "last"):
        assert estimated[1, view] > Decimal("0.50"), "the estimate credits the bricks with a saving"
        assert saved(found, view) == {1: 0, 2: 2}
        assert basis(found, view) == {1: "planned", 2: "planned"}
        assert distinct(found, view) == [2]
    row = found["flexibility_cost"].row(0, named=True)
    errors = [abs(estimated[n, view] - saved(found, view)[n]) for n in (1, 2) for view in ("alone", "last")]
    assert (row["planned_line_count"], row["largest_estimate_error"]) == (2, max(errors))
    assert row["mean_estimate_error"] == (sum(errors) / 4).quantize(Decimal("0.01"))


def test_only_as_many_lines_are_planned_as_the_settings_say() -> None:
    model, market, tables = threshold_market()
    none = worked_out(model, market, planned_lines=0, **tables)
    assert basis(none, "last") == {1: "estimated", 2: "estimated"} and distinct(none, "last") == []
    assert ranges(none, "last") == {1: [None, None], 2: [None, None]}
    row = none["flexibility_cost"].row(0, named=True)
    assert (row["planned_line_count"], row["mean_estimate_error"], row["largest_estimate_error"]) == (0, None, None)
    one = worked_out(model, market, planned_lines=1, **tables)
    assert sorted(basis(one, "alone").values()) == ["estimated", "planned"]


def test_lines_are_planned_largest_first_up_to_nine_tenths_of_the_saving() -> None:
    assert lines_that_matter([1.0, 6.0, 3.0, 0.0], 9) == [1, 2]
    assert lines_that_matter([1.0, 6.0, 2.9, 0.1], 9) == [1, 2, 0]
    assert lines_that_matter([1.0, 6.0, 3.0], 1) == [1]
    assert lines_that_matter([0.0, 0.0], 9) == lines_that_matter([], 9) == []


def test_a_form_is_planned_apart_from_the_colour_of_its_line() -> None:
    """A long brick of two halves; in blue only with the flexibility of colour."""
    model = make_model([line(1, "long", "red", 4), *PLATES], [flexibility(1, "any", is_load_bearing="false")])
    market = make_market(
        offer("a", "half", "blue", "0.10"), offer("a", "half", "red", "0.20"), offer("a", "long", "red", "0.90"),
        offer("a", "long", "blue", "0.80"), offer("a", "plate", "grey", "1"),
    )  # fmt: skip
    halves = {"part_code": "long", "combination_code": "m", "component_part_code": "half", "component_count": 2}
    found = worked_out(model, market, combinations=[halves])
    assert (saved(found, "alone"), saved(found, "last")) == ({1: Decimal("0.40")}, {1: Decimal("0.80")})
    forms = "substitute_saving"
    assert (saved(found, "alone", forms), saved(found, "last", forms)) == ({1: Decimal("2.00")}, {1: Decimal("2.40")})
    assert {*basis(found, "alone").values(), *basis(found, "last", forms).values()} == {"planned"}
    assert found["flexibility_cost"]["planned_line_count"][0] == 2


def test_lines_alike_of_different_colours_and_parcel_penalties_stay_estimates() -> None:
    """What is listed there is no plan of the flexible rules, or money is not all that counts."""
    alike = [flexibility(n, "any_one", group_code="g") for n in (1, 2)]
    market = make_market(
        *[offer("a", part, colour, "0.50") for part in ("brick", "plate") for colour in ("red", "grey")],
        *[offer("a", part, "blue", "0.10") for part in ("brick", "plate")],
    )
    model = make_model([line(1, "brick", "red", 4), line(2, "plate", "grey", 4)], alike)
    mixed = worked_out(model, market)
    assert set(basis(mixed, "alone").values()) == {"estimated"} and saved(mixed) == {
        1: Decimal("1.60"),
        2: Decimal("1.60"),
    }
    same = make_model([line(1, "brick", "red", 4), line(2, "plate", "red", 4)], alike)
    assert set(basis(worked_out(same, market), "alone").values()) == {"planned"}
    scenarios = [
        Scenario(scenario_code=code, title="x", parcel_penalty=Decimal(1), use_flexibility=free, use_substitutes=free)
        for code, free in (("listed", False), ("flexible", True))
    ]
    assert set(basis(worked_out(same, market, scenarios=scenarios), "last").values()) == {"estimated"}


def test_a_line_that_finds_missing_pieces_stays_an_estimate() -> None:
    """Its plans lack different pieces, so their costs are not compared."""
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "plate", "red", 4)], [flexibility(1, "any"), flexibility(2, "any")]
    )
    now = make_market(
        offer("a", "brick", "blue", "0.10"), offer("a", "plate", "red", "0.50"), offer("a", "plate", "blue", "0.10")
    )
    seen = pl.concat([now, make_market(offer("b", "brick", "red", "0.70", 0))])
    found = worked_out(model, now, seen)
    for view in ("alone", "last"):
        assert basis(found, view) == {1: "estimated", 2: "planned"}
        assert distinct(found, view) == [2]


def test_a_total_is_clear_only_beyond_the_gaps_of_both_plans() -> None:
    model = make_model([line(1, "brick", "red", 4), *PLATES], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "plate", "grey", "1")
    )

    def both(listed_bound: str, flexible_bound: str) -> Any:
        rows = worked_out(model, market, change=with_bounds(listed_bound, flexible_bound))["flexibility_cost"]
        row = rows.filter(pl.col("flexibility_allowed") == "both").row(0, named=True)
        assert row["total_saving"] == Decimal("1.60")
        return row["saving_low"], row["saving_high"], row["is_distinct"]

    assert both("12.00", "10.40") == (Decimal("1.60"), Decimal("1.60"), True)
    assert both("11.20", "9.60") == (Decimal("0.80"), Decimal("2.40"), True)
    assert both("10.40", "10.40") == (0, Decimal("1.60"), False), "cut off at 0"
    assert both("9.00", "8.80") == (0, Decimal("3.20"), False)


def test_what_nobody_offers_saves_exactly_nothing() -> None:
    """The plan as listed is not proven, yet without another form on offer it is the plan with other forms."""
    model = make_model([line(1, "brick", "red", 4), *PLATES], [flexibility(1, "any")])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10"), offer("a", "plate", "grey", "1")
    )
    rows = worked_out(model, market, change=with_bounds("10.90", "10.40"))["flexibility_cost"]
    columns = ("total_saving", "saving_low", "saving_high", "is_distinct", "complete_cost")
    kinds = {row[0]: row[1:] for row in rows.select("flexibility_allowed", *columns).iter_rows()}
    assert kinds["substitutes"] == kinds["none"] == (0, 0, 0, False, 12)
    assert kinds["colour"][1:3] == (Decimal("0.50"), Decimal("1.60"))


# Kept


def test_planned_savings_are_kept_until_anything_that_shapes_them_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    model, market, tables = threshold_market()
    first = worked_out(model, market, cache_folder=tmp_path, **tables)
    planned: list[Any] = []
    really = LinePlans.savings

    def counted(plans: Any, chosen: Any, *published: Any) -> Any:
        planned.append(chosen)
        return really(plans, chosen, *published)

    monkeypatch.setattr(LinePlans, "savings", counted)
    again = worked_out(model, market, cache_folder=tmp_path, **tables)
    assert not planned
    assert all(again[name].equals(first[name]) for name in first)
    # The next date, on which every offer was confirmed again.
    tomorrow = DAY + timedelta(days=1)
    confirmed = market.with_columns(pl.lit(tomorrow).alias("last_confirmed_on"))
    later = worked_out(model, confirmed, cache_folder=tmp_path, day=tomorrow, **tables)
    assert not planned
    anew = worked_out(model, confirmed, day=tomorrow, **tables)
    assert len(planned) == 1 and all(later[name].equals(anew[name]) for name in anew)
    planned.clear()
    # A price that no published plan uses, terms of a vendor they order nothing from, and fewer lines.
    dearer = market.with_columns(
        pl.when(pl.col("unit_price") == Decimal("1.00"))
        .then(Decimal("1.20"))
        .otherwise("unit_price")
        .alias("unit_price")
    )
    assert saved(worked_out(model, dearer, cache_folder=tmp_path, **tables), "last")[2] == Decimal("2.80")
    other_terms = [*tables["vendor_terms"][:1], terms("b", shipping_charge="0.10"), terms("c")]
    worked_out(model, market, cache_folder=tmp_path, vendor_terms=other_terms)
    worked_out(model, market, cache_folder=tmp_path, planned_lines=1, **tables)
    assert len(planned) == 3
