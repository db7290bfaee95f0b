"""Where looking at a line pays."""

from decimal import Decimal

from pipelines.insight.flexibility.priced_uses import of_likely_vendors, priced_uses
from pipelines.planning.scenarios import ModelPlanning
from tests.builders.markets import (
    BUYER,
    DAY,
    flexibility,
    line,
    make_inputs,
    make_market,
    make_model,
    offer,
    terms,
    vendor,
)
from tests.builders.savings_found import costs, saved, two_vendors, worked_out


def test_a_vendor_that_only_a_look_would_bring_in_charges_for_its_order() -> None:
    market = make_market(offer("a", "plate", "blue", "0.01"), offer("b", "plate", "red", "0.01"))
    looks = worked_out(make_model([line(1, "plate", "red", 1)]), market, **two_vendors(1))["look_first"]
    assert looks["look_saving"].to_list() == [0]


def test_looking_counts_what_is_free_already() -> None:
    """Line 1 is free and takes the blue bricks: for line 2, which wants the same, there is less to save."""
    model = make_model([line(n, "brick", "red", 4) for n in (1, 2)], [flexibility(1, "any")])
    market = make_market(offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.10", 6))
    row = worked_out(model, market)["look_first"].row(0, named=True)
    assert (row["line_number"], row["look_saving"], row["is_worth_a_look"]) == (2, Decimal("0.80"), True)
    assert row["look_colour_codes"] == "blue"


def test_lines_whose_colours_cost_about_the_same_are_not_worth_a_look() -> None:
    model = make_model([line(1, "brick", "red", 4), line(2, "plate", "red", 4), line(3, "tile", "red", 4)])
    market = make_market(
        offer("a", "brick", "red", "0.50"), offer("a", "brick", "blue", "0.48"), offer("a", "plate", "red", "0.50"),
        offer("a", "plate", "blue", "0.47"), offer("a", "tile", "red", "0.50"),
    )  # fmt: skip
    rows = worked_out(model, market)["look_first"].select("line_number", "look_saving", "is_worth_a_look").rows()
    assert rows == [(2, Decimal("0.12"), True), (1, Decimal("0.08"), False), (3, 0, False)]


def test_in_large_markets_the_likely_vendors_and_the_plans_stay() -> None:
    """Sixty vendors sell red bricks, dearer by number; the last one, of a plan, stays with the forty cheapest."""
    codes = [f"v{number:02d}" for number in range(60)]
    model = make_model([line(1, "brick", "red", 4), line(2, "plate", "red", 4)], [flexibility(1, "any")])
    market = make_market(
        *[
            offer(code, f"{part}", "red", f"0.{10 + n:02d}")
            for n, code in enumerate(codes)
            for part in ("brick", "plate")
        ],
        offer("v50", "brick", "blue", "0.01"),
    )
    inputs = make_inputs((model,), vendors=[vendor(code) for code in codes])
    scenarios = {scenario.scenario_code: scenario for scenario in inputs.settings.scenarios}
    planning = ModelPlanning(inputs, model, DAY, BUYER, market, "quick", with_advice=False)
    uses = priced_uses(inputs, planning, scenarios["listed"], scenarios["flexible"])
    cut = of_likely_vendors(uses, {"v59"}, most=4)
    kept = {cut.vendor_codes[number] for number in cut.vendor}
    assert kept == {"v59", "v50", "v00", "v01", "v02"}
    for portion, whole in zip(cut.portions, uses.portions, strict=True):
        assert cut.price[portion.rows].tolist() == [
            price
            for price, number in zip(uses.price[whole.rows], uses.vendor[whole.rows], strict=True)
            if uses.vendor_codes[number] in kept
        ]
    assert of_likely_vendors(uses, {"v59"}, most=59) is uses


def test_transparent_never_stands_in_for_plain() -> None:
    model = make_model(
        [line(1, "brick", "red", 4), line(2, "plate", "red", 4)], [flexibility(1, "near", near_distance=50)]
    )
    market = make_market(
        *[offer("a", part, "red", "0.50") for part in ("brick", "plate")],
        *[offer("a", part, "clear_red", "0.01") for part in ("brick", "plate")],
    )
    found = worked_out(model, market)
    assert saved(found) == {1: 0}
    assert found["look_first"].row(0, named=True)["look_saving"] == 0


def test_pieces_that_another_colour_could_fill_are_counted() -> None:
    model = make_model([line(1, "brick", "red", 6)])
    now = make_market(offer("a", "brick", "red", "0.50", 2), offer("a", "brick", "blue", "0.10", 3))
    row = worked_out(model, now)["look_first"].row(0, named=True)
    assert row["fillable_piece_count"] == 3


def test_the_three_lines_with_the_money_are_found_among_two_hundred() -> None:
    """A market made so that three known lines carry 80 % of what colours could save; the others save a few cents each."""
    rich = {37: 20, 101: 30, 160: 25}
    parts = [line(n, f"p{n}", "red", rich.get(n, 10)) for n in range(1, 201)]
    rows = []
    for n in range(1, 201):
        rows.append(offer("ab"[n % 2], f"p{n}", "red", "1.00" if n in rich else "0.10"))
        rows.append(offer("ab"[n % 3 == 0], f"p{n}", "blue", "0.36" if n in rich else f"0.{100 - n % 13:03d}"))
    tables = {"vendor_terms": [terms(code, shipping_charge="5") for code in "abc"]}
    found = worked_out(make_model(parts), make_market(*rows), effort="quick", **tables)
    looks = found["look_first"].sort("look_rank")
    assert set(looks["line_number"][:3]) == set(rich)
    assert looks["line_number"][:3].to_list() == [101, 160, 37]
    whole = looks["look_saving_so_far"][-1]
    assert looks["look_saving_so_far"][2] == Decimal("48.00") and Decimal("0.78") < 48 / whole < Decimal("0.82")
    assert looks["best_line_numbers"][2] == "37;101;160"
    planned = costs(found)["first_looks"]
    assert planned >= looks["look_saving_so_far"][2]
