"""What commands print: tables that line up, and a comparison that leaves no doubt about what a cost holds."""

from datetime import date
from decimal import Decimal
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from pipelines.cli.nightly.refresh import comparison
from pipelines.cli.terminal.common import printable, text_table

DAY = date(2026, 10, 31)
SCENARIOS = ["listed", "flexible", "cheapest"]


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
    words = "a way of buying that finds more pieces can cost more."
    few, more = (
        cost(value="12.09", unfilled_piece_count=24),
        cost(scenario="cheapest", value="20.57", unfilled_piece_count=3),
    )
    assert list(comparison([few, more], DAY, SCENARIOS))[-1].endswith(words)
    for other in (cost(scenario="cheapest", value="12", unfilled_piece_count=3), more | {"model_code": "tower"}):
        assert words not in "\n".join(comparison([few, other], DAY, SCENARIOS))


def test_scenarios_side_by_side_and_a_table_per_buyer() -> None:
    rows = [
        cost(),
        cost(scenario="flexible", value="9.80"),
        cost(model="A tower", model_code="tower", scenario="flexible", value="120.00"),
        cost(buyer="away", value="55.10", currency_code="PLN"),
    ]
    assert "\n".join(comparison(rows, DAY, SCENARIOS)) == (
        "\nComplete cost for the buyer home, EUR, prices of 2026-10-31\n\n"
        "model    listed   flexible\n"
        "-------  ------  ------\n"
        "A hut     12.50    9.80\n"
        "A tower          120.00\n"
        "\nComplete cost for the buyer away, PLN, prices of 2026-10-31\n\n"
        "model  listed  flexible\n"
        "-----  ------  -----\n"
        "A hut   55.10"
    )


def test_scenarios_stand_in_the_order_of_the_settings() -> None:
    text = "\n".join(comparison([cost(scenario="cheapest"), cost(scenario="flexible"), cost()], DAY, SCENARIOS))
    assert "model  listed  flexible   best\n" in text


def test_costs_have_their_currency_s_digits() -> None:
    """The table of a refresh has four digits everywhere."""
    rows = [cost(value="12.5000"), cost(scenario="flexible", value="1250.0000", currency_code="JPY")]
    text = "\n".join(comparison(rows, DAY, SCENARIOS))
    assert " 12.50 " in text and text.endswith(" 1250")


def test_other_dates_are_left_out() -> None:
    text = "\n".join(comparison([cost(), cost(value="99.99", priced_on=date(2026, 9, 30))], DAY, SCENARIOS))
    assert "12.50" in text and "99.99" not in text


def test_no_cost_at_all_is_said() -> None:
    assert list(comparison([], DAY, SCENARIOS)) == [
        "No model has a cost on 2026-10-31: no parts list holds by then (released_on in models/*/model.toml)."
    ]


def test_an_estimate_in_a_cost_is_marked() -> None:
    text = "\n".join(
        comparison([cost(unfilled_piece_count=3), cost(scenario="flexible", value="9.80")], DAY, SCENARIOS)
    )
    assert "12.50*" in text and "9.80*" not in text
    assert text.endswith("* some pieces can't be bought; an estimate for them is included")


def test_a_cost_that_lacks_an_estimate_is_marked() -> None:
    text = "\n".join(comparison([cost(unfilled_piece_count=3, unfilled_estimate_count=1)], DAY, SCENARIOS))
    assert "12.50**" in text and "there is no estimate: it costs more" in text


def test_a_refused_plan_has_no_cost() -> None:
    text = "\n".join(comparison([cost(plan_status="refused", value="1.00")], DAY, SCENARIOS))
    assert "1.00" not in text and "refused!" in text and "! the plan failed a check and must not be used" in text


def test_two_models_of_one_title_do_not_hide_each_other() -> None:
    text = "\n".join(comparison([cost(), cost(value="77.00", model_code="hut_2")], DAY, SCENARIOS))
    assert "12.50" in text and "77.00" in text
