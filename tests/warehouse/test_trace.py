"""``kitfare trace``: the words name the file and the line that a price stands on, and the query gives the same."""

import json
import re
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.ask.trace import _first_buyer
from pipelines.cli.main import app
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace
from schemas.published.intake import CORRECTED_ROW
from tests.builders.published.small_night import published_tables, typed
from tests.present import present


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Any:
    root = tmp_path_factory.mktemp("trace")
    (root / "kitfare.toml").touch()
    corrected = {
        "file_hash": "bb", "record_number": 1, "source_line_number": 2, "vendor_code": "birch", "part_code": "00777",
        "colour_code": "7", "condition": "new", "listing_code": "", "observed_on": date(2026, 1, 10),
        "correction_action": "multiply_price", "unit_price": Decimal("0.5"), "currency_code": "EUR",
        "corrected_unit_price": Decimal("0.05"), "corrected_currency_code": "EUR", "reason": "a bag of ten",
    }  # fmt: skip
    generation.build(
        root / "generations" / "g1", {**published_tables(), "corrected_row": typed(CORRECTED_ROW, corrected)}
    )
    (root / "published").symlink_to("generations/g1")
    return root


def run(place: Any, *arguments: Any) -> Any:
    result = CliRunner().invoke(app, [*arguments, "--workspace", str(place)])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_a_cost_is_taken_apart_to_the_lines_of_files(place: Any) -> None:
    answer = run(place, "trace", "mill", "--scenario", "flexible")
    assert "complete cost 7.40 EUR" in answer
    assert "= goods 1.10 + shipping 5.00 + handling 0.50 + tax 0.40 + estimate 0.40 for 2 pieces" in answer
    source = "(new) from acorn at 0.100000 EUR\n    prices.csv, line 2 (hash aa); this price since 2026-01-10, last confirmed on 2026-01-15"
    assert f"Line 1: 4 x 00501 7 {source}" in answer and f"Line 2: 3 x 00501 7 {source}" in answer
    assert answer.count("corrected, because") == 1
    assert "the file has 0.500000 EUR; corrected, because: a bag of ten" in answer
    assert "Line 2: 6 x 00777 7 (new) from birch" in answer and "hash bb" in answer
    assert "Line 3: 2 of 00999 7 can't be bought; estimated at 0.40 EUR (its last price seen)" in answer


def test_the_first_buyer_is_the_first_of_the_settings(place: Any) -> None:
    """Not the first by its letters; while the settings can't be read, any buyer who is published."""

    def first(settings: Any, published: Any) -> Any:
        (place / "kitfare.toml").write_text(settings)

        def ask(query: Any) -> Any:
            return [{"buyer_code": code} for code in published]

        return _first_buyer(ask, "mill", Workspace(place))

    buyers = "".join(
        f'[[buyer]]\nbuyer_code = "{code}"\ntitle = "x"\nregion_code = "r"\ncurrency_code = "EUR"\n'
        for code in ("zoo", "home", "away")
    )
    assert first(buyers, ["away", "home"]) == "home"
    assert first(buyers, ["zoo", "away", "home"]) == "zoo"
    assert first(buyers, ["other"]) is None
    assert first("", ["away", "home"]) is None
    (place / "kitfare.toml").write_text("")


def test_one_line_alone_and_the_query_that_gives_the_same(place: Any) -> None:
    answer = run(
        place, "trace", "mill", "--scenario", "flexible", "--buyer", "home", "--on", "2026-01-20", "--line", "2"
    )
    assert "00777" in answer and "can't be bought;" not in answer
    query = present(re.search(r'kitfare query "(from purchase_source.*)"', answer))[1]
    found = json.loads(run(place, "query", query, "--format", "json"))
    assert [(row["part_code"], row["file_hash"], row["source_line_number"], row["record_number"]) for row in found] == [
        ("00501", "aa", 2, 1), ("00777", "bb", 2, 1),
    ]  # fmt: skip


def test_every_offer_of_an_element_with_its_source(place: Any) -> None:
    found = json.loads(run(place, "query", "from element_source('00501', '7')", "--format", "json"))
    assert [(row["step_from_quantity"], row["file_hash"], row["source_line_number"]) for row in found] == [
        (1, "aa", 2), (50, "aa", 3),
    ]  # fmt: skip


TYPOS = {
    "model": (["mil"], "there is no model mil; did you mean mill?"),
    "case": (["Mill"], "there is no model Mill; did you mean mill?"),
    "scenario": (["mill", "--scenario", "flexibel"], "there is no scenario flexibel; did you mean flexible?"),
    "buyer": (["mill", "--scenario", "flexible", "--buyer", "hom"], "there is no buyer hom; did you mean home?"),
    "date": (["mill", "--scenario", "flexible", "--on", "2026-01-21"], "there is no date priced 2026-01-21; did you mean 2026-01-20?"),
    "line": (["mill", "--scenario", "flexible", "--line", "9999"], "there is no line 9999\n"),
}  # fmt: skip


@pytest.mark.parametrize("typo", TYPOS)
def test_a_typo_is_answered_with_what_there_is(place: Path, typo: str) -> None:
    arguments, message = TYPOS[typo]
    result = CliRunner().invoke(app, ["trace", *arguments, "--workspace", str(place)])
    assert result.exit_code == 2 and not result.stdout and message in result.stderr
    assert len(result.stderr.splitlines()) == 3


def test_the_lines_there_are_are_named(place: Path) -> None:
    result = CliRunner().invoke(
        app, ["trace", "mill", "--scenario", "flexible", "--line", "9999", "--workspace", str(place)]
    )
    assert (
        "where: the published plan of mill, scenario flexible" in result.stderr
        and "name one of: 1, 2, 3\n" in result.stderr
    )


def test_a_line_that_is_on_hand_is_shown_so(place: Path) -> None:
    assert "Line 1: 2 x 00501 7 (new) on hand" in run(place, "trace", "mill", "--scenario", "flexible", "--line", "1")


def test_a_line_without_a_price_index_is_refused(place: Path) -> None:
    """The published case has an index of one month, and no prices of lines."""
    given = ["trace", "mill", "--month", "2026-01", "--workspace", str(place)]
    assert CliRunner().invoke(app, given).exit_code == 0
    result = CliRunner().invoke(app, [*given, "--line", "9999"])
    assert result.exit_code == 2 and "there is no line 9999" in result.stderr and not result.stdout


@pytest.mark.parametrize(
    "arguments", [["nosuch"], ["mill", "--on", "2026-13-01"], ["mill", "--month", "2019-01"], ["x'; drop table y; --"]]
)
def test_what_is_not_published_is_refused_with_what_is(place: Any, arguments: list[str]) -> None:
    result = CliRunner().invoke(app, ["trace", *arguments, "--workspace", str(place)])
    assert result.exit_code == 2 and "published" in result.stderr and "next:" in result.stderr
