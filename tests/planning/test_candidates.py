from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.costing.terms_on import terms_on
from pipelines.demand.model_portions import portions_on
from pipelines.inputs import Model
from pipelines.planner.statement.problem import Problem
from pipelines.planning.candidates import Candidates, candidates
from pipelines.settings import Scenario
from tests.builders.markets import BUYER, DAY, flexibility, line, make_inputs, make_market, make_model, offer, vendor

FLEXIBLE = Scenario(scenario_code="flexible", title="x")
LISTED = Scenario(scenario_code="listed", title="x", use_flexibility=False, use_substitutes=False)
EVERY_COLOUR = ["red", "brick", "blue", "grey", "clear_red", "clear_blue", "steel"]


def found(model: Model, market: pl.DataFrame, scenario: Scenario = FLEXIBLE, **tables: Any) -> Candidates:
    inputs = make_inputs((model,), **tables)
    book = terms_on(inputs, DAY, BUYER)
    portions = portions_on(model, DAY, scenario.use_flexibility)
    result = candidates(portions, market, inputs, DAY, scenario, book)
    assert isinstance(result.problem(book, scenario), Problem)
    return result


def bought(result: Candidates) -> pl.DataFrame:
    """portion (line, number) -> the set of (part, colour) that may fill it."""
    joined = result.uses.join(result.portions, on="portion_index").join(
        result.offers.select(
            "offer_index", "part_code", pl.col("colour_code").alias("offered"), "vendor_code", "condition"
        ),
        on="offer_index",
    )
    assert (joined["colour_code"] == joined["offered"]).all()
    return joined


def colours_of(rule: str, listed: str = "red", **more: Any) -> list[str]:
    model = make_model([line(1, "brick", listed, 4)], [flexibility(1, rule, **more)])
    market = make_market(*[offer("a", "brick", colour, "0.1") for colour in EVERY_COLOUR])
    return sorted(bought(found(model, market))["colour_code"])


@pytest.mark.parametrize(
    "rule,more,expected",
    [
        ("as_listed", {}, ["red"]),
        ("undecided", {}, ["red"]),
        ("any", {}, ["blue", "brick", "grey", "red"]),
        ("any", {"accept_colour_codes": "steel"}, ["blue", "brick", "grey", "red", "steel"]),
        ("any", {"refuse_colour_codes": "grey;red"}, ["blue", "brick"]),
        ("any_one", {"group_code": "g"}, ["blue", "brick", "grey", "red"]),
        ("one_of", {"accept_colour_codes": "blue;grey"}, ["blue", "grey", "red"]),
        ("one_of", {"accept_colour_codes": "blue;grey", "refuse_colour_codes": "blue"}, ["grey", "red"]),
        ("near", {"near_distance": "5"}, ["brick", "red"]),
        ("near", {"near_distance": "100"}, ["blue", "brick", "grey", "red"]),
        ("near", {}, ["red"]),
        ("near", {"near_distance": "5", "refuse_colour_codes": "brick"}, ["red"]),
    ],
)
def test_colour_rules(rule: str, more: dict[str, str], expected: list[str]) -> None:
    assert colours_of(rule, **more) == expected


@pytest.mark.parametrize("distance", ["0", "5", "100"])
def test_transparent_never_stands_in_for_plain_whatever_the_distance(distance: str) -> None:
    """clear_red has red's very sRGB value: its distance is 0."""
    assert "clear_red" not in colours_of("near", near_distance=distance)


def test_flexibility_stays_within_the_finish_of_the_listed_colour() -> None:
    assert colours_of("any", listed="clear_red") == ["clear_blue", "clear_red"]
    assert colours_of("near", listed="clear_red", near_distance="100") == ["clear_blue", "clear_red"]
    assert colours_of("any", listed="steel") == ["steel"]


def test_a_colour_outside_the_palette_can_be_bought_as_listed_only() -> None:
    model = make_model(
        [line(1, "brick", "odd", 4), line(2, "brick", "red", 4)], [flexibility(1, "any"), flexibility(2, "any")]
    )
    result = bought(found(model, make_market(offer("a", "brick", "odd", "1"), offer("a", "brick", "blue", "1"))))
    assert sorted(result.select("line_number", "colour_code").rows()) == [(1, "blue"), (1, "odd"), (2, "blue")]


def test_amendments_in_any_colour_need_no_listed_one() -> None:
    model = make_model(
        [line(1, "brick", "red", 4)],
        amendments=[{"line_number": 90, "amendment_action": "add", "part_code": "plate", "quantity": 5}],
    )
    market = make_market(*[offer("a", "plate", colour, "0.1") for colour in EVERY_COLOUR])
    assert sorted(bought(found(model, market, LISTED))["colour_code"]) == ["blue", "brick", "grey", "red"]


SUBSTITUTES = [
    {"part_code": "beam", "substitute_part_code": "beam_strong", "strength": "stronger"},
    {"part_code": "beam", "substitute_part_code": "beam_like", "strength": "equal"},
    {"part_code": "beam", "substitute_part_code": "beam_weak", "strength": "weaker"},
    {"part_code": "beam_like", "substitute_part_code": "beam_far"},
]
BEAMS = make_market(
    *[offer("a", part, "red", "0.1") for part in ("beam", "beam_strong", "beam_like", "beam_weak", "beam_far")]
)


def parts_of(
    listed: str = "beam", load: str = "true", scenario: Scenario = FLEXIBLE, market: pl.DataFrame = BEAMS, **tables: Any
) -> list[str]:
    model = make_model([line(1, listed, "red", 4)], [flexibility(1, "as_listed", is_load_bearing=load)])
    return sorted(bought(found(model, market, scenario, **tables))["part_code"])


def test_substitutes_is_one_way_single_hop_and_weaker_only_without_load() -> None:
    assert parts_of(substitutes=SUBSTITUTES) == ["beam", "beam_like", "beam_strong"]
    assert parts_of(substitutes=SUBSTITUTES, load="false") == ["beam", "beam_like", "beam_strong", "beam_weak"]
    assert parts_of("beam_like", substitutes=SUBSTITUTES) == ["beam_far", "beam_like"]
    assert parts_of("beam_weak", substitutes=SUBSTITUTES) == ["beam_weak"]
    assert parts_of(substitutes=SUBSTITUTES, scenario=LISTED, load="false") == ["beam"]


def test_substitutes_is_dated_and_the_latest_row_of_a_pair_holds() -> None:
    pair = {"part_code": "beam", "substitute_part_code": "beam_like"}
    later = [{**pair, "valid_from_on": "2026-12-01"}]
    assert parts_of(substitutes=later) == ["beam"]
    weaker = [{**pair, "strength": "equal"}, {**pair, "strength": "weaker", "valid_from_on": "2026-11-01"}]
    assert parts_of(substitutes=weaker) == ["beam"]


@pytest.mark.parametrize("kind", [{"surface": "printed"}, {"surface": "plated"}, {"material": "soft"}])
def test_stand_ins_have_the_listed_parts_surface_and_material(kind: dict[str, str]) -> None:
    unlike = [{"part_code": "beam_like", "part_name": "x", **kind}]
    assert parts_of(substitutes=SUBSTITUTES, parts=unlike) == ["beam", "beam_strong"]
    both = [*unlike, {"part_code": "beam", "part_name": "x", **kind}]
    assert parts_of(substitutes=SUBSTITUTES, parts=both) == ["beam", "beam_like"]


OPEN = [
    {
        "part_code": "hinge",
        "substitute_part_code": "hinge_a",
        "substitute_kind": "resolves_open_form",
        "strength": "weaker",
    },
    {
        "part_code": "hinge",
        "substitute_part_code": "hinge_b",
        "substitute_kind": "resolves_open_form",
        "strength": "stronger",
    },
    {"part_code": "hinge", "substitute_part_code": "hinge_c", "strength": "equal"},
]
HINGES = make_market(*[offer("a", part, "red", "0.1") for part in ("hinge", "hinge_a", "hinge_b", "hinge_c")])


@pytest.mark.parametrize("scenario,more", [(LISTED, []), (FLEXIBLE, ["hinge_c"])], ids=["listed", "flexible"])
def test_an_open_part_number_is_resolved_even_as_listed(scenario: Scenario, more: list[str]) -> None:
    assert parts_of("hinge", "false", scenario, HINGES, substitutes=OPEN) == ["hinge", "hinge_a", "hinge_b", *more]
    assert parts_of("hinge", "true", scenario, HINGES, substitutes=OPEN) == ["hinge_b"]


def test_open_offers_fill_no_portion_that_bears_load() -> None:
    vague = make_market(*[offer("a", part, "red", "0.1", form_certainty="open") for part in ("hinge_b", "hinge_a")])
    assert parts_of("hinge", "true", market=vague, substitutes=OPEN) == []
    assert parts_of("hinge", "false", market=vague, substitutes=OPEN) == ["hinge_a", "hinge_b"]
    assert parts_of("hinge_b", "true", market=vague) == []
    assert parts_of("hinge_b", "false", market=vague) == ["hinge_b"]


COMBINATIONS = [
    {"part_code": "long", "combination_code": "halves", "component_part_code": "half", "component_count": 2},
    {"part_code": "long", "combination_code": "halves", "component_part_code": "pin", "component_count": 1},
]


def combination_uses(
    *offers: dict[str, Any], load: str = "false", scenario: Scenario = FLEXIBLE, rule: str = "any", **tables: Any
) -> list[tuple[str, str, str, str, int]]:
    model = make_model([line(1, "long", "red", 4)], [flexibility(1, rule, is_load_bearing=load)])
    result = found(
        model, make_market(*offers), scenario, combinations=tables.pop("combinations", COMBINATIONS), **tables
    )
    return result.uses.join(result.offers.select("offer_index", "part_code"), on="offer_index").select(
        "part_code", "colour_code", "combination_code", "component_part_code", "component_count"
    ).rows()  # fmt: skip


def test_combinations_are_whole_and_in_one_colour() -> None:
    offers = [offer("a", "half", "red", "0.1"), offer("b", "pin", "red", "0.1"), offer("a", "half", "blue", "0.1")]
    whole = [("half", "red", "halves", "half", 2), ("pin", "red", "halves", "pin", 1)]
    assert combination_uses(*offers) == whole
    assert combination_uses(*offers, offer("b", "pin", "blue", "0.1"), rule="as_listed") == whole
    assert combination_uses(*offers, offer("c", "long", "grey", "1"))[-1] == ("long", "grey", "", "", 1)
    assert combination_uses(offers[0], offers[2]) == []


def test_combinations_carry_no_load_and_count_as_substitutes() -> None:
    offers = [offer("a", "half", "red", "0.1"), offer("b", "pin", "red", "0.1")]
    assert combination_uses(*offers, load="true") == []
    assert combination_uses(*offers, scenario=LISTED) == []
    assert combination_uses(*offers, parts=[{"part_code": "pin", "part_name": "x", "material": "soft"}]) == []


def test_a_later_version_of_a_combination_replaces_it_whole() -> None:
    later = [*COMBINATIONS, {**COMBINATIONS[0], "component_count": 3, "valid_from_on": "2026-06-01"}]
    assert combination_uses(offer("a", "half", "red", "0.1"), combinations=later) == [
        ("half", "red", "halves", "half", 3)
    ]


def test_conditions_of_the_portion_and_of_the_scenario() -> None:
    market = make_market(
        offer("a", "brick", "red", "0.1"), offer("b", "brick", "red", "0.1", condition="used"),
        offer("b", "plate", "red", "0.1", condition="used"),
    )  # fmt: skip
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "plate", "red", 1)],
        [flexibility(1, "as_listed", accept_conditions="new;used")],
    )
    first = bought(found(model, market)).select("line_number", "condition").rows()
    assert sorted(first) == [(1, "new"), (1, "used")]
    used = Scenario(scenario_code="u", title="x", conditions=["used"])
    assert sorted(bought(found(model, market, used)).select("line_number", "condition").rows()) == [
        (1, "new"),
        (1, "used"),
        (2, "used"),
    ]


@pytest.mark.parametrize(
    "more",
    [
        {"is_suspect": True},
        {"quantity_available": 0},
        {"quantity_available": 9, "sold_in_multiples_of": 10},
        {"maximum_per_order": 4, "sold_in_multiples_of": 5},
        {"step_from_quantity": 50, "maximum_per_order": 40},
        {"currency_code": "USD"},
        {"vendor_code": "ghost"},
        {"vendor_code": "till"},
    ],
    ids=[
        "suspect",
        "empty",
        "below multiple",
        "limit below multiple",
        "limit below step",
        "currency",
        "unknown",
        "maker",
    ],
)
def test_offers_left_out(more: dict[str, Any]) -> None:
    model = make_model([line(1, "brick", "red", 4)])
    market = make_market(offer("b", "brick", "red", "0.2"), {**offer("a", "brick", "red", "0.1"), **more})
    result = found(model, market, vendors=[vendor("a"), vendor("b"), vendor("till", vendor_kind="maker")])
    assert result.offers["vendor_code"].to_list() == ["b"]


def test_one_suspect_step_takes_its_whole_offer_along() -> None:
    model = make_model([line(1, "brick", "red", 4)])
    market = make_market(
        offer("a", "brick", "red", "0.2"), offer("a", "brick", "red", "0.0001", step_from_quantity=10, is_suspect=True)
    )
    assert found(model, market).offers.height == 0


def test_vendors_by_scenario() -> None:
    model = make_model([line(1, "brick", "red", 4)])
    vendors = [vendor("a"), vendor("b"), vendor("till", vendor_kind="maker")]
    market = make_market(*[offer(row["vendor_code"], "brick", "red", "0.1") for row in vendors])

    def sellers(**rules: Any) -> list[str]:
        return found(model, market, Scenario(scenario_code="s", title="x", **rules), vendors=vendors).vendor_codes

    assert sellers() == ["a", "b"]
    assert sellers(maker="any_mix") == ["a", "b", "till"]
    assert sellers(maker="marked") == ["a", "b", "till"]
    assert sellers(maker="any_mix", independents=False) == ["till"]
    assert sellers(forbidden_vendors=["a"]) == ["b"]
    assert sellers(only_vendors=["a"]) == ["a"]


def test_steps_share_one_offer_and_its_figures() -> None:
    model = make_model([line(1, "brick", "red", 4)])
    market = make_market(
        offer("a", "brick", "red", "0.2", 80, sold_in_multiples_of=2),
        offer("a", "brick", "red", "0.1", 100, sold_in_multiples_of=2, step_from_quantity=50),
        offer("a", "brick", "red", "0.3", 7, listing_code="second"),
    )
    result = found(model, market, parts=[{"part_code": "brick", "part_name": "x", "weight_grams": "2.5"}])
    names = ("listing_code", "quantity_available", "sold_in_multiples_of", "weight_grams", "largest_dimension_mm")
    assert result.offers.select(names).rows() == [
        ("", 80, 2, Decimal("2.5"), Decimal(0)),
        ("second", 7, 1, Decimal("2.5"), Decimal(0)),
    ]
    assert result.steps.select("offer_index", "step_from_quantity", "unit_price").rows() == [
        (0, 1, Decimal("0.2")),
        (0, 50, Decimal("0.1")),
        (1, 1, Decimal("0.3")),
    ]


def test_unknown_weights_are_assumed() -> None:
    model = make_model([line(1, "brick", "red", 4)])
    parts = [{"part_code": "plate", "part_name": "x", "weight_grams": "3"}, {"part_code": "brick", "part_name": "x"}]
    market = make_market(offer("a", "brick", "red", "0.2"))
    assert found(model, market, parts=parts).offers["weight_grams"].to_list() == [3]
    assert found(model, market, parts=parts[:1]).offers["weight_grams"].to_list() == [3]


def test_narrowing_keeps_numbers_whole() -> None:
    offers = [offer("a", "half", "red", "0.1"), offer("b", "pin", "red", "0.1"), offer("c", "long", "red", "0.1")]
    model = make_model(
        [line(1, "long", "red", 4), line(2, "pin", "red", 2)], [flexibility(1, "as_listed", is_load_bearing="false")]
    )
    result = found(model, make_market(*offers), combinations=COMBINATIONS)
    without_b = result.of_vendors(["a", "c"])
    assert without_b.portions.equals(result.portions)
    assert without_b.offers.select("offer_index", "part_code").rows() == [(0, "long")]
    assert without_b.uses.select("portion_index", "offer_index", "combination_code").rows() == [(0, 0, "")]
    only_pin = result.with_quantities({(1, 1): 0, (2, 1): 1})
    assert only_pin.portions.select("portion_index", "line_number", "quantity").rows() == [(0, 2, 1)]
    assert only_pin.offers["part_code"].to_list() == ["pin"]
    assert only_pin.steps.height == 1


def test_the_order_of_the_market_does_not_matter() -> None:
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "plate", "red", 4)], [flexibility(1, "any"), flexibility(2, "any")]
    )
    market = make_market(*[offer(v, p, c, "0.1") for v in "abc" for p in ("brick", "plate") for c in EVERY_COLOUR])
    first, second = found(model, market), found(model, market.sample(fraction=1, shuffle=True, seed=3))
    for name in ("portions", "offers", "steps", "uses"):
        assert getattr(first, name).equals(getattr(second, name)), name


STOCK = Scenario(scenario_code="bin", title="x", use_stock_on_hand=True)


def stock(part: str, colour: str, quantity: int, **more: Any) -> dict[str, Any]:
    return {"part_code": part, "colour_code": colour, "quantity_on_hand": quantity, **more}


def on_hand(
    model: Model, rows: list[Any], scenario: Scenario = STOCK, **tables: Any
) -> tuple[list[tuple[int, int, str, str, str, int]], list[tuple[int, int]]]:
    result = found(model, make_market(offer("a", "brick", "red", "1")), scenario, stock_on_hand=rows, **tables)
    return result.on_hand.rows(), result.portions.select("line_number", "quantity").rows()


def test_stock_counts_only_where_the_scenario_says_so() -> None:
    model = make_model([line(1, "brick", "red", 4)])
    assert on_hand(model, [stock("brick", "red", 3)], FLEXIBLE) == ([], [(1, 4)])
    assert on_hand(model, [stock("brick", "red", 3)]) == ([(1, 1, "brick", "red", "new", 3)], [(1, 1)])
    assert on_hand(model, [stock("brick", "red", 9)]) == ([(1, 1, "brick", "red", "new", 4)], [])
    assert on_hand(model, [stock("brick", "red", 9, condition="used")]) == ([], [(1, 4)])


def test_stock_goes_first_to_portions_that_list_it() -> None:
    model = make_model([line(1, "brick", "blue", 4), line(2, "brick", "red", 4)], [flexibility(1, "any")])
    assert on_hand(model, [stock("brick", "red", 6)]) == (
        [(1, 1, "brick", "red", "new", 2), (2, 1, "brick", "red", "new", 4)],
        [(1, 2)],
    )


def test_stock_fills_a_group_whole_or_not_at_all() -> None:
    flexible_lines = [flexibility(n, "any_one", group_code="g") for n in (1, 2)]
    model = make_model([line(1, "brick", "blue", 4), line(2, "plate", "blue", 2)], flexible_lines)
    short = [stock("brick", "grey", 9), stock("plate", "grey", 1), stock("brick", "blue", 9)]
    assert on_hand(model, short) == ([], [(1, 4), (2, 2)])
    enough = [*short[:1], stock("plate", "grey", 2), stock("plate", "red", 9)]
    assert on_hand(model, enough) == ([(1, 1, "brick", "grey", "new", 4), (2, 1, "plate", "grey", "new", 2)], [])
