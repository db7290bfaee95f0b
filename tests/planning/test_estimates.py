from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.costing.terms_on import terms_on
from pipelines.demand.fitting import fitting_elements
from pipelines.demand.model_portions import portions_on
from pipelines.planning.estimates import ESTIMATE_SCHEMA, estimates, known_prices
from pipelines.planning.remedies import NOTHING_KNOWN, remedies
from pipelines.settings import Buyer, Scenario
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
    vendor,
)

FLEXIBLE = Scenario(scenario_code="flexible", title="x")
RATES = [{"rate_on": "2026-11-24", "from_currency_code": "USD", "to_currency_code": "EUR", "exchange_rate": "0.9"}]


def summary(part: str, colour: str, price: str, **more: Any) -> dict[str, str]:
    return {
        "source_code": "s", "part_code": part, "colour_code": colour, "condition": "new", "observed_on": "2026-11-01",
        "currency_code": "EUR", "average_price": price, **more,
    }  # fmt: skip


def estimated(
    seen: Any = (),
    summaries: Any = (),
    rule: str = "as_listed",
    scenario: Scenario = FLEXIBLE,
    buyer: Buyer = BUYER,
    **more: Any,
) -> tuple[Decimal | None, str]:
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, rule, **more)])
    inputs = make_inputs((model,), exchange_rates=RATES)
    portions = portions_on(model, DAY, True)
    fits = fitting_elements(portions, inputs.tables, DAY, use_substitutes=scenario.use_substitutes)
    known = known_prices(make_market(*seen), make_summaries(*summaries), inputs, DAY, buyer)
    found = estimates(portions, fits, known, scenario)
    assert found.schema == ESTIMATE_SCHEMA
    assert found.select("line_number", "portion_number").rows() == [(1, 1)]
    return found["estimated_unit_price"][0], found["estimate_basis"][0]


def test_nothing_known_says_so() -> None:
    assert estimated() == (None, "none")
    assert estimated([offer("a", "plate", "red", "1"), offer("a", "brick", "blue", "1")]) == (None, "none")


def test_last_seen_is_the_median_of_each_vendors_cheapest() -> None:
    seen = [
        offer("a", "brick", "red", "0.10"), offer("a", "brick", "red", "0.11", listing_code="2"),
        offer("b", "brick", "red", "0.20", 0), offer("c", "brick", "red", "9.99"),
    ]  # fmt: skip
    assert estimated(seen) == (Decimal("0.2"), "last_seen")
    assert estimated(seen[:3]) == (Decimal("0.1"), "last_seen")
    assert estimated([*seen, offer("d", "brick", "red", "8")]) == (Decimal("0.2"), "last_seen")


def test_the_price_for_the_fewest_pieces_counts() -> None:
    steps = [offer("a", "brick", "red", "0.05", step_from_quantity=100), offer("a", "brick", "red", "0.10")]
    assert estimated(steps) == (Decimal("0.1"), "last_seen")


@pytest.mark.parametrize("days,expected", [(365, "last_seen"), (366, "none"), (-1, "none")])
def test_only_prices_of_the_last_year_count(days: int, expected: str) -> None:
    seen_on = date.fromordinal(DAY.toordinal() - days)
    assert estimated([offer("a", "brick", "red", "0.1", last_confirmed_on=seen_on)])[1] == expected


def test_suspect_prices_do_not_count_and_other_currencies_are_converted_with_the_margin() -> None:
    assert estimated([offer("a", "brick", "red", "0.1", is_suspect=True)]) == (None, "none")
    dear = Buyer(buyer_code="x", title="x", region_code="NL", currency_code="EUR", exchange_margin_pct=Decimal(2))
    dollars = [offer("a", "brick", "red", "1", currency_code="USD")]
    assert estimated(dollars, buyer=dear) == (Decimal("0.918"), "last_seen")
    assert estimated([offer("a", "brick", "red", "1", currency_code="GBP")]) == (None, "none")


def test_flexible_lines_widen_what_fits() -> None:
    seen = [
        offer("a", "brick", "red", "0.3"),
        offer("a", "brick", "blue", "0.1"),
        offer("a", "brick", "clear_red", "0.01"),
    ]
    assert estimated(seen) == (Decimal("0.3"), "last_seen")
    assert estimated(seen, rule="any") == (Decimal("0.1"), "last_seen")


def test_bases_in_their_order() -> None:
    used = offer("a", "brick", "red", "0.04", condition="used")
    average = summary("brick", "red", "0.07")
    assert estimated([offer("b", "brick", "red", "0.1"), used], [average]) == (Decimal("0.1"), "last_seen")
    assert estimated([used], [average]) == (Decimal("0.04"), "other_condition")
    assert estimated([used], [average], accept_conditions="new;used") == (Decimal("0.04"), "last_seen")
    assert estimated([], [average]) == (Decimal("0.07"), "summary")


def test_summaries_of_several_sources_colours_and_dates() -> None:
    rows = [
        summary("brick", "red", "0.07"), summary("brick", "blue", "0.05"),
        summary("brick", "red", "0.30", source_code="t"), summary("brick", "red", "0.40", source_code="u"),
    ]  # fmt: skip
    assert estimated([], rows) == (Decimal("0.3"), "summary")
    assert estimated([], rows[:2], rule="any") == (Decimal("0.05"), "summary")
    assert estimated([], [summary("brick", "red", "0.07", condition="used")]) == (None, "none")
    assert estimated([], [summary("brick", "red", "0.07", observed_on="2025-11-24")]) == (None, "none")


NOTHING = pl.DataFrame(
    schema={
        **dict.fromkeys(("vendor_code", "part_code", "colour_code", "condition", "listing_code"), pl.String),
        "quantity": pl.Int64,
    }
)


def helped(
    *offers: dict[str, Any],
    bought: pl.DataFrame = NOTHING,
    rule: str = "as_listed",
    scenario: Scenario = FLEXIBLE,
    tables: Any = None,
    maker_lines: Sequence[Any] = (),
    **more: Any,
) -> str:
    model = make_model([line(1, "brick", "red", 4)], [flexibility(1, rule, **more)])
    vendors = [vendor("a"), vendor("b"), vendor("till", vendor_kind="maker")]
    inputs = make_inputs((model,), vendors=vendors, **(tables or {}))
    portions = portions_on(model, DAY, True)
    book = terms_on(inputs, DAY, BUYER)
    found = remedies(portions, bought, make_market(*offers), inputs, DAY, scenario, book, maker_lines)
    assert list(found) == [(1, 1)]
    return found[1, 1]


def test_there_is_no_remedy() -> None:
    assert helped() == NOTHING_KNOWN
    assert helped(offer("a", "plate", "red", "1"), offer("a", "brick", "clear_red", "1")) == NOTHING_KNOWN


def test_the_nearest_colour_with_enough_pieces() -> None:
    near, far = offer("a", "brick", "brick", "1", 9), offer("a", "brick", "blue", "1", 9)
    assert helped(far, near) == "another colour: 9 pieces are on offer in Brick (CIEDE2000 1.7)"
    few = offer("a", "brick", "brick", "1", 1)
    assert "Blue" in helped(far, few)
    assert helped(few) == "other colours: 1 piece is on offer, the nearest in Brick (CIEDE2000 1.7)"
    assert helped(near, rule="near", near_distance="1") == helped(near)


def test_a_form() -> None:
    substitutes = [
        {"part_code": "brick", "substitute_part_code": "brick_b"},
        {"part_code": "brick", "substitute_part_code": "brick_w", "strength": "weaker"},
    ]
    listed = Scenario(scenario_code="x", title="x", use_substitutes=False)
    tables = {"substitutes": substitutes}
    assert helped(offer("a", "brick_b", "red", "1", 8), scenario=listed, tables=tables) == (
        "a substitute: brick_b, of which 8 pieces are on offer"
    )
    assert helped(offer("a", "brick_w", "red", "1", 8), tables=tables) == (
        "if it bore no load: the form brick_w, of which 8 pieces are on offer"
    )
    assert "if it bore no load" in helped(offer("a", "brick", "red", "1", 8, form_certainty="open"))


def test_a_vendor_left_out_or_forbidden() -> None:
    assert (
        helped(offer("ghost", "brick", "red", "1", 8))
        == "the vendor ghost, who has 8, but it is not in the table vendors"
    )
    assert "does not use the maker's shop" in helped(offer("till", "brick", "red", "1", 8))
    no_a = Scenario(scenario_code="x", title="x", forbidden_vendors=["a"])
    assert (
        helped(offer("a", "brick", "red", "1", 8), scenario=no_a)
        == "the vendor A, who has 8, but the scenario forbids it"
    )
    assert "another currency" in helped(offer("a", "brick", "red", "1", 8, currency_code="USD"))


def test_the_maker_is_asked_only_for_the_models_maker_lines() -> None:
    """The line is not one of them, so no minimum or multiple keeps the maker's pieces out: the rule does."""
    marked = Scenario(scenario_code="x", title="x", maker="marked")
    at_the_maker = offer("till", "brick", "red", "1", 8)
    assert helped(at_the_maker, scenario=marked) == (
        "the vendor Till, who has 8, but the line is not among the model's maker_lines"
    )
    assert "keep them out of the plan" in helped(at_the_maker, scenario=marked, maker_lines=[1])


def test_a_condition() -> None:
    assert helped(offer("a", "brick", "red", "1", 8, condition="used")) == "used pieces, of which 8 pieces are on offer"


def test_enough_goes_before_order_and_most_before_less() -> None:
    colour, used = offer("a", "brick", "blue", "1", 3), offer("a", "brick", "red", "1", 4, condition="used")
    assert helped(colour, used).startswith("used")
    assert helped(colour, offer("a", "brick", "red", "1", 2, condition="used")).startswith(
        ("another colour", "other colours")
    )


def test_pieces_that_the_vendors_rules_keep_out() -> None:
    assert helped(offer("a", "brick", "red", "1", 8)).startswith("8 pieces are on offer, but the vendors' minimums")
    bought = pl.DataFrame([("a", "brick", "red", "new", "", 8)], schema=NOTHING.schema, orient="row")
    assert helped(offer("a", "brick", "red", "1", 8), bought=bought) == NOTHING_KNOWN
