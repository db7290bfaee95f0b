"""``kitfare whatif`` on a small published workspace: both plans, what changed, and every refusal."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.refresh import refresh
from tests.builders.workspaces import make_workspace


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Any:
    workspace = make_workspace(tmp_path_factory.mktemp("whatif") / "space")
    refresh(workspace)
    return workspace.root


def whatif(place: Any, *arguments: Any) -> Any:
    return CliRunner().invoke(app, ["whatif", "hut", "--workspace", str(place), *arguments])


def answer(place: Any, *arguments: Any) -> Any:
    result = whatif(place, *arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def cost(side: Any) -> Any:
    return Decimal(side["complete_cost"])


def test_both_plans_side_by_side(place: Any) -> None:
    # South alone: 10 red of 0.12, 4 blue of 0.40, shipping 6. Flexible bricks are blue of 0.05 from north, for 4 of shipping.
    result = whatif(place, "--shipping", "50")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "A hut, cheapest mix, for a buyer at home; prices of 2026-10-31"
    cells = [line.split() for line in lines]
    assert ["shipping", "6.00", "9.00", "+3.00"] in cells
    assert ["complete", "cost", "8.80", "11.80", "+3.00"] in cells
    assert ["south", "8.80", "14", "11.80", "14"] in cells
    assert "With the change it costs 3.00 EUR more." in result.stdout


@pytest.mark.parametrize(
    ("arguments", "complete"),
    [
        (["--flat-shipping", "1"], "3.80"),
        (["--prices", "10"], "9.08"),
        (["--copies", "2"], "11.60"),
        (["--no-flexibility"], "8.80"),
    ],
)
def test_what_each_change_costs(place: Any, arguments: list[str], complete: str) -> None:
    found = answer(place, *arguments)
    assert (found["as_it_is"]["complete_cost"], found["changed"]["complete_cost"]) == ("8.80", complete)
    assert Decimal(found["difference"]) == Decimal(complete) - Decimal("8.80")


def test_the_difference_is_said_with_its_range(place: Any) -> None:
    found = answer(place, "--prices", "10")
    assert [Decimal(found[f"difference{end}"]) for end in ("_low", "", "_high")] == [Decimal("0.28")] * 3
    assert found["as_it_is"]["lower_bound"] == found["as_it_is"]["landed_cost"] == "8.80"
    assert "The change makes no difference to the cost." in whatif(place, "--no-flexibility").stdout


def test_the_published_sensitivities_are_what_the_command_answers(place: Any) -> None:
    published = CliRunner().invoke(
        app,
        [
            "query",
            "select * from sensitivity order by assumption, sensitivity_side",
            "--format",
            "json",
            "--workspace",
            str(place),
        ],
    )
    assert published.exit_code == 0, published.output
    options = {
        ("prices", "down"): ["--prices", "-10"], ("prices", "up"): ["--prices", "10"],
        ("shipping", "down"): ["--shipping", "-25"], ("shipping", "up"): ["--shipping", "25"],
        ("tax", "down"): ["--tax", "-5"], ("tax", "up"): ["--tax", "5"],
        ("condition", "down"): ["--used"], ("flexible_lines", "up"): ["--no-flexibility", "--no-substitutes"],
    }  # fmt: skip
    rows = [row for row in json.loads(published.stdout) if row["model_code"] == "hut" and row["buyer_code"] == "home"]
    assert {(row["assumption"], row["sensitivity_side"]) for row in rows} == set(options)
    for row in rows:
        found = answer(place, *options[row["assumption"], row["sensitivity_side"]], "--effort", "quick")
        assert Decimal(row["complete_cost"]) == cost(found["changed"])
        assert Decimal(row["sensitivity_amount"]) == Decimal(found["difference"])


def test_without_a_vendor_pieces_are_missing(place: Any) -> None:
    found = answer(place, "--without", "south")
    assert found["changed"]["unfilled_piece_count"] == 4
    assert [row["vendor_code"] for row in found["changed"]["vendors"]] == ["north"]
    # 10 blue of 0.05 and shipping 4, and 4 blue long blocks, last seen at 0.40.
    assert found["changed"]["complete_cost"] == "6.10"
    assert "Different numbers of pieces are missing" in whatif(place, "--without", "south").stdout


def test_another_date_has_its_own_prices(place: Any) -> None:
    found = answer(place, "--on", "2026-09-30")
    assert found["changed"]["priced_on"] == "2026-09-30"
    # Only north's red bricks of 0.11; nobody had ever offered the long blocks.
    assert found["changed"]["landed_cost"] == "5.10" and found["changed"]["unfilled_estimate_count"] == 4
    assert found["difference"] is None


@pytest.mark.parametrize("scenario", ["listed", "flexible", "maker_marked", "maker_first", "cheapest"])
def test_every_way_of_buying_can_be_asked_about(place: Any, scenario: str) -> None:
    """As it is, each costs what was published. No vendor here is a maker's shop, so plans that ask it first say so."""
    found = answer(place, "--scenario", scenario, "--shipping", "50")
    assert found["as_it_is"]["complete_cost"] == "8.80" and found["changed"]["complete_cost"] == "11.80"
    is_two_stage = scenario.startswith("maker")
    assert bool(found["as_it_is"]["notes"]) == is_two_stage
    text = whatif(place, "--scenario", scenario, "--shipping", "50").stdout
    assert ("need not be the cheapest mix" in text) == is_two_stage
    assert ("As it is: the maker's shop has nothing of what is to be bought there" in text) == is_two_stage


def test_nothing_published_changes(place: Any) -> None:
    before, kept = (place / "published").resolve(), sorted((place / "archive").rglob("*"))
    answer(place, "--used")
    assert (place / "published").resolve() == before
    assert sorted((place / "archive").rglob("*")) == kept, (
        "only a refresh writes the journal that archived files belong in"
    )
    result = CliRunner().invoke(app, ["verify", "--workspace", str(place)])
    assert result.exit_code == 0, result.output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "no change was given"),
        (["--used", "--new-only"], "contradict"),
        (["--without", "west"], "no such vendor: west"),
        (["--any-colour", "9"], "hut has no line 9"),
        (["--as-listed", "9"], "hut has no line 9"),
        (["--shipping", "much"], "--shipping much: must be a number"),
        (["--shipping", "-101"], "must be a number from -100"),
        (["--prices", "1e-9"], "must be a number"),
        (["--on", "yesterday"], "not a date"),
        (["--on", "2025-06-01"], "no parts list on 2025-06-01"),
        (["--currency", "ZZZ"], "not a currency"),
        (["--buyer", "nobody", "--used"], "there is no buyer nobody"),
        (["--scenario", "maker_last", "--used"], "there is no scenario maker_last"),
        (
            ["--scenario", "flexible", "--no-maker"],
            "--no-maker changes nothing about Hidden parts in any colour (flexible)",
        ),
        (
            ["--scenario", "listed", "--no-flexibility"],
            "--no-flexibility changes nothing about Exactly as designed (listed)",
        ),
        (
            ["--scenario", "listed", "--no-substitutes"],
            "--no-substitutes changes nothing about Exactly as designed (listed)",
        ),
    ],
)
def test_wrong_options_are_refused_with_the_reason(place: Any, arguments: Any, message: Any) -> None:
    result = whatif(place, *arguments)
    assert result.exit_code == 2 and message in result.output
    assert "next:" in result.output


def test_an_unknown_model_and_a_workspace_without_prices(place: Any, tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["whatif", "castle", "--used", "--workspace", str(place)])
    assert result.exit_code == 2 and "there is no model castle" in result.output and "hut" in result.output
    empty = make_workspace(tmp_path / "empty")
    result = CliRunner().invoke(app, ["whatif", "hut", "--used", "--workspace", str(empty.root)])
    assert result.exit_code == 2 and "nothing is published" in result.output
