"""What commands print: tables that line up, and a comparison that states what each cost contains."""

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from pipelines.cli.nightly.comparison import comparison
from pipelines.cli.terminal.common import printable, text_table
from pipelines.settings import BUILT_IN_SCENARIOS

DAY = date(2026, 10, 31)
TITLES = {"listed": "Exactly as designed", "flexible": "Hidden parts in any colour", "cheapest": "Cheapest mix"}


def cost(model: str = "A hut", scenario: str = "listed", buyer: str = "home", value: str = "12.50", **more: Any) -> Any:
    plain = {
        "priced_on": DAY, "model_code": "hut", "model_title": model, "scenario_code": scenario, "buyer_code": buyer,
        "currency_code": "EUR", "plan_status": "proven", "complete_cost": Decimal(value), "unfilled_piece_count": 0,
        "unfilled_estimate_count": 0,
    }  # fmt: skip
    return plain | more


def test_columns_line_up() -> None:
    assert text_table(["name", "cost"], [["a", "1.00"], ["longer", "12.50"]], numbers=[1]) == (
        "name     cost\n------  -----\na        1.00\nlonger  12.50"
    )


def test_a_table_without_rows_still_has_its_header() -> None:
    assert text_table(["a", "b"], []) == "a  b\n-  -"


@given(st.lists(st.tuples(st.text(max_size=12), st.text(max_size=12), st.just("x")), max_size=5))
def test_the_last_column_begins_in_one_place(rows: Any) -> None:
    lines = text_table(["first", "second", "x"], rows).split("\n")
    assert len(lines) == 2 + len(rows), "a cell broke out of its line"
    assert len({cell_len(line[: line.rindex("x")]) for line in (lines[0], *lines[2:])}) == 1


@given(st.text())
def test_what_is_printed_cannot_steer_a_terminal(text: Any) -> None:
    assert not any(
        ord(character) < 32 and character not in "\t\n" or 127 <= ord(character) < 160 for character in printable(text)
    )
    assert len(printable(text)) == len(text)


def test_a_way_that_costs_more_because_it_finds_more_pieces_is_explained() -> None:
    sentence = "A way of buying that finds more pieces can cost more: missing pieces count before the cost."
    few, more = (
        cost(value="12.09", unfilled_piece_count=24),
        cost(scenario="cheapest", value="20.57", unfilled_piece_count=3),
    )
    assert list(comparison([few, more], DAY, TITLES))[-1] == sentence
    for other in (cost(scenario="cheapest", value="12", unfilled_piece_count=3), more | {"model_code": "tower"}):
        assert sentence not in "\n".join(comparison([few, other], DAY, TITLES))


def test_scenarios_side_by_side_and_a_table_per_buyer() -> None:
    rows = [
        cost(),
        cost(scenario="flexible", value="9.80"),
        cost(model="A tower", model_code="tower", scenario="flexible", value="120.00"),
        cost(buyer="away", value="55.10", currency_code="PLN"),
    ]
    assert "\n".join(comparison(rows, DAY, TITLES)) == (
        "\nComplete cost for the buyer home, EUR, prices of 2026-10-31\n\n"
        "         Exactly as   Hidden parts\n"
        "model      designed  in any colour\n"
        "-------  ----------  -------------\n"
        "A hut         12.50           9.80\n"
        "A tower                     120.00\n"
        "\nComplete cost for the buyer away, PLN, prices of 2026-10-31\n\n"
        "       Exactly as   Hidden parts\n"
        "model    designed  in any colour\n"
        "-----  ----------  -------------\n"
        "A hut       55.10"
    )


def test_scenarios_stand_in_the_order_of_the_settings() -> None:
    text = "\n".join(comparison([cost(scenario="cheapest"), cost(scenario="flexible"), cost()], DAY, TITLES))
    assert "       Exactly as   Hidden parts  Cheapest\nmodel    designed  in any colour       mix\n" in text


def test_a_way_of_buying_without_a_title_is_shown_by_its_code() -> None:
    text = "\n".join(comparison([cost(), cost(scenario="of_mine")], DAY, TITLES))
    assert "Exactly as" in text and "of_mine" in text and text.count("12.50") == 2


def test_costs_have_their_currency_s_digits() -> None:
    """The table of a refresh has four digits everywhere."""
    rows = [cost(value="12.5000"), cost(scenario="flexible", value="1250.0000", currency_code="JPY")]
    text = "\n".join(comparison(rows, DAY, TITLES))
    assert " 12.50 " in text and text.endswith(" 1250")


def test_other_dates_are_left_out() -> None:
    text = "\n".join(comparison([cost(), cost(value="99.99", priced_on=date(2026, 9, 30))], DAY, TITLES))
    assert "12.50" in text and "99.99" not in text


def test_no_cost_at_all_is_said() -> None:
    assert list(comparison([], DAY, TITLES)) == [
        "No model has a cost on 2026-10-31: no parts list was released by then (released_on in models/*/model.toml)."
    ]


def test_an_estimate_in_a_cost_is_marked() -> None:
    text = "\n".join(comparison([cost(unfilled_piece_count=3), cost(scenario="flexible", value="9.80")], DAY, TITLES))
    assert "12.50*" in text and "9.80*" not in text
    assert text.endswith("* some pieces can't be bought; an estimate for them is included")


def test_a_cost_that_lacks_an_estimate_is_marked() -> None:
    text = "\n".join(comparison([cost(unfilled_piece_count=3, unfilled_estimate_count=1)], DAY, TITLES))
    assert "12.50**" in text and "some of those have no estimate: the true cost is higher" in text


def test_a_refused_plan_has_no_cost() -> None:
    text = "\n".join(comparison([cost(plan_status="refused", value="1.00")], DAY, TITLES))
    assert "1.00" not in text and "refused!" in text and "! the plan failed a check and must not be used" in text


def test_two_models_of_one_title_do_not_hide_each_other() -> None:
    text = "\n".join(comparison([cost(), cost(value="77.00", model_code="hut_2")], DAY, TITLES))
    assert "A hut (hut)     " in text and "12.50" in text
    assert "A hut (hut_2)   " in text and "77.00" in text


def built_in(model: Any, extra: Any = ()) -> Any:
    codes = [scenario.scenario_code for scenario in BUILT_IN_SCENARIOS]
    return [cost(model=model, model_code=model.lower(), scenario=code, value="123.45") for code in [*codes, *extra]]


BUILT_IN_TITLES = {scenario.scenario_code: scenario.title for scenario in BUILT_IN_SCENARIOS}


def test_the_five_built_in_ways_of_buying_fit_into_80_columns() -> None:
    models = ["Post Boat to the Outer Skerries", "A hut"]
    lines = "\n".join(comparison([row for model in models for row in built_in(model)], DAY, BUILT_IN_TITLES)).split(
        "\n"
    )
    assert max(map(len, lines)) <= 80
    (boat,) = [number for number, line in enumerate(lines) if line.startswith("Post Boat")]
    assert lines[boat].count("123.45") == 5 and lines[boat + 1].strip() == "Skerries"
    heading = " ".join(" ".join(lines[4:boat]).split())
    for word in ("Exactly", "elsewhere", "Cheapest", "maker's"):
        assert word in heading
    assert not any(code in heading.split() for code in ("listed", "flexible", "cheapest"))


@pytest.mark.parametrize("width", [20, 40, 80, 200])
def test_ways_of_buying_that_do_not_fit_stand_below_each_other(width: int) -> None:
    own = {f"own_{number}": f"My own way number {number}" for number in range(6)}
    text = "\n".join(comparison(built_in("A hut", own), DAY, BUILT_IN_TITLES | own, width))
    assert text.count("123.45") == 11
    is_list = "way of buying" in text
    assert is_list == (width < 200)
    for title in own.values():
        assert not is_list or f"\n{title} " in text


@given(
    st.lists(st.text(st.characters(categories=("L", "N", "Zs")), min_size=1, max_size=40), min_size=1, max_size=6),
    st.integers(20, 200),
)
def test_no_title_is_lost_at_any_width(titles: Any, width: int) -> None:
    ways = {f"way_{number}": f"{number} {title}" for number, title in enumerate(titles)}
    text = "\n".join(comparison([cost(scenario=code) for code in ways], DAY, ways, width))
    assert text.count("12.50") == len(titles)
    for title in ways.values():
        assert all(word in text for word in title.split())
