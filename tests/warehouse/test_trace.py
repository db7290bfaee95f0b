"""``kitfare trace``: the words name the file and the line that a price stands on, and the query gives the same."""

import json
import re
from datetime import date
from decimal import Decimal

import pytest
from published_case import published_tables, typed
from typer.testing import CliRunner

from pipelines.cli.ask.trace import _first_buyer
from pipelines.cli.main import app
from pipelines.settings import Workspace
from pipelines.warehouse import generation
from schemas.published.intake import CORRECTED_ROW


@pytest.fixture(scope="module")
def place(tmp_path_factory):
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


def run(place, *arguments):
    result = CliRunner().invoke(app, [*arguments, "--workspace", str(place)])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_a_cost_is_taken_apart_to_the_lines_of_files(place):
    reported = run(place, "trace", "mill", "--scenario", "flexible")
    assert "complete cost 7.40 EUR" in reported
    assert "= goods 1.10 + shipping 5.00 + handling 0.50 + tax 0.40 + estimate 0.40 for 2 pieces" in reported
    source = "(new) from acorn at 0.100000 EUR\n    prices.csv, line 2 (hash aa); this price since 2026-01-10, last confirmed on 2026-01-15"
    assert f"Line 1: 4 x 00501 7 {source}" in reported and f"Line 2: 3 x 00501 7 {source}" in reported
    assert reported.count("corrected, because") == 1
    assert "the file has 0.500000 EUR; corrected, because: a bag of ten" in reported
    assert "Line 2: 6 x 00777 7 (new) from birch" in reported and "hash bb" in reported
    assert "Line 3: 2 of 00999 7 can't be bought; estimated at 0.40 EUR, basis: last_seen" in reported


def test_the_first_buyer_is_the_first_of_the_settings(place):
    """Not the first by its letters; while the settings can't be read, any buyer who is published."""

    def first(settings, published):
        (place / "kitfare.toml").write_text(settings)

        def ask(query):
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


def test_one_line_alone_and_the_query_that_gives_the_same(place):
    reported = run(
        place, "trace", "mill", "--scenario", "flexible", "--buyer", "home", "--on", "2026-01-20", "--line", "2"
    )
    assert "00777" in reported and "can't be bought;" not in reported
    query = re.search(r'kitfare query "(from purchase_source.*)"', reported)[1]
    found = json.loads(run(place, "query", query, "--format", "json"))
    assert [(row["part_code"], row["file_hash"], row["source_line_number"], row["record_number"]) for row in found] == [
        ("00501", "aa", 2, 1), ("00777", "bb", 2, 1),
    ]  # fmt: skip


def test_every_offer_of_an_element_with_its_source(place):
    found = json.loads(run(place, "query", "from element_source('00501', '7')", "--format", "json"))
    assert [(row["step_from_quantity"], row["file_hash"], row["source_line_number"]) for row in found] == [
        (1, "aa", 2), (50, "aa", 3),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "arguments", [["nosuch"], ["mill", "--on", "2026-13-01"], ["mill", "--month", "2019-01"], ["x'; drop table y; --"]]
)
def test_what_is_not_published_is_refused_with_what_is(place, arguments):
    result = CliRunner().invoke(app, ["trace", *arguments, "--workspace", str(place)])
    assert result.exit_code == 2 and "published" in result.stderr and "next:" in result.stderr
