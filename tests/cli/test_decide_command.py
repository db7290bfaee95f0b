"""``kitfare decide`` on a small published generation: the list is walked, answers are kept, and a line is explained."""

import csv
import shutil
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace
from schemas.published.flexibility import COLOUR_FLEX_SAVING, LOOK_FIRST
from schemas.published.plans import MODEL_COST
from schemas.validate import empty_frame

DAY = date(2026, 11, 20)
PLAN = {
    "priced_on": DAY,
    "model_code": "mill",
    "scenario_code": "flexible",
    "buyer_code": "home",
    "currency_code": "EUR",
}
OLD = 'line_number,colour_rule,decided_on,reason\n1,any,2026-01-05,"hidden, inside"\n5,undecided,2026-01-05,\n'


def rows_of(contract: Any, *rows: Any) -> Any:
    """Typed rows; what a row leaves out gets a plain value of its kind."""
    plain = {pl.String(): "", pl.Int64(): 1, pl.Float64(): 0.5, pl.Boolean(): True, pl.Decimal(18, 4): Decimal(1)}
    schema = empty_frame(contract).schema
    full = [{name: {**PLAN, **row}.get(name, plain.get(kind)) for name, kind in schema.items()} for row in rows]
    return pl.DataFrame(full, schema=schema)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A generation that knows a list and the savings of a line."""
    looks = [
        {"look_rank": rank, "line_number": line, "listed_part_code": "brick", "listed_colour_code": "RED", "quantity": 4,
         "look_saving": Decimal(saving), "look_saving_so_far": Decimal("4.00"), "look_colour_codes": "BLU",
         "is_worth_a_look": saving != "0.00", "fillable_piece_count": 4 if line == 4 else 0}
        for rank, (line, saving) in enumerate([(3, "2.10"), (5, "1.20"), (2, "0.70"), (4, "0.00"), (6, "0.00")], 1)
    ]  # fmt: skip
    saved = [
        {"line_number": 1, "saving_view": view, "saving": Decimal(amount), "colour_rule": "any", "interplay": "stock",
         "interplay_line_numbers": "3", "saving_basis": "planned" if high else "estimated", "is_distinct": low == "1.40",
         "saving_low": low and Decimal(low), "saving_high": high and Decimal(high), "standard_error": None}
        for view, amount, low, high in (
            ("fair", "1.50", None, None), ("alone", "2.00", "1.40", "2.10"), ("last", "0.10", "0.00", "0.60")
        )
    ]  # fmt: skip
    folder = tmp_path_factory.mktemp("built") / "first"
    tables = {
        "model_cost": rows_of(MODEL_COST, {"plan_status": "proven", "effort": "quick", "oldest_offer_on": DAY}),
        "look_first": rows_of(LOOK_FIRST, *looks),
        "colour_flex_saving": rows_of(COLOUR_FLEX_SAVING, *saved),
    }
    generation.build(folder, tables)
    return folder


@pytest.fixture
def place(built: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    (tmp_path / "kitfare.toml").write_text(
        '[[buyer]]\nbuyer_code = "home"\ntitle = "home"\nregion_code = "x"\ncurrency_code = "EUR"\n'
    )
    folder = tmp_path / "models" / "mill"
    folder.mkdir(parents=True)
    (tmp_path / "tables").mkdir()
    (tmp_path / "generations").mkdir()
    (tmp_path / "tables" / "colours.csv").write_text(
        "colour_code,colour_name,srgb_hex,colour_family,finish\nRED,Red,#C01010,reds,plain\nBLU,Blue,#1030C0,blues,plain\n"
    )
    (folder / "model.toml").write_text(
        'model_code = "mill"\ntitle = "A mill"\n[[versions]]\nlist_version = 1\nreleased_on = 2026-01-01\n'
    )
    parts = "".join(f"1,{line},brick,RED,4,\n" for line in range(1, 7))
    (folder / "parts.csv").write_text(f"list_version,line_number,part_code,colour_code,quantity,section_code\n{parts}")
    (folder / "flexible_lines.csv").write_text(OLD)
    workspace = Workspace(tmp_path)
    shutil.copytree(built, workspace.generations / "first")
    generation.publish(workspace, workspace.generations / "first", 3)
    monkeypatch.chdir(tmp_path)
    return workspace


def run(*arguments: Any, answers: str = "") -> Any:
    return CliRunner().invoke(app, ["decide", "mill", *arguments], input=answers)


def flexible_lines(place: Any) -> Any:
    with (place.models / "mill" / "flexible_lines.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_line_of_the_list_is_asked_about_and_every_answer_written(place: Any) -> None:
    """Any colour for line 3, later for 5, a colour of a list for 2, later for 4; 6 could save too little."""
    result = run(answers="Ann\na\nhidden, too\n\no\nBLU\nonly blue\n\n")
    assert result.exit_code == 0, result.output
    assert "1 of 4: line 3, brick in RED, 4 pieces" in result.stdout
    assert "4 of 4: line 4" in result.stdout and "4 pieces could be bought that now can't" in result.stdout
    assert "could save 2.10" in result.stdout and "bought in BLU" in result.stdout
    assert "Wrote decisions about 2 lines" in result.stdout
    today = date.today().isoformat()
    written = [
        (row["line_number"], row["colour_rule"], row["decided_on"], row["decided_by"], row["reason"])
        for row in flexible_lines(place)
    ]
    assert written == [
        ("1", "any", "2026-01-05", "", "hidden, inside"),
        ("2", "one_of", today, "Ann", "only blue"),
        ("3", "any", today, "Ann", "hidden, too"),
        ("5", "undecided", "2026-01-05", "", ""),
    ]


def test_stopping_and_the_end_of_input_keep_what_was_decided(place: Any) -> None:
    result = run("--by", "Ann", answers="l\nseen from outside\nq\n")
    assert result.exit_code == 0 and "Wrote decisions about 1 line " in result.stdout
    assert run("--by", "Ann", answers="n\n5\n").exit_code == 0
    rules = {row["line_number"]: (row["colour_rule"], row.get("near_distance")) for row in flexible_lines(place)}
    assert rules["3"][0] == "as_listed"
    assert set(rules) == {"1", "3", "5"}, "an answer without its reason is not kept"


def test_lines_decided_meanwhile_are_not_asked_again_and_typing_errors_are_asked_again(place: Any) -> None:
    run("--by", "Ann", answers="a\n\nq\n")
    result = run("--by", "Ann", answers="x\n\n\n")
    assert "1 of 3: line 5" in result.stdout and "Please type one of the letters" in result.stdout
    assert "Nothing was decided." in result.stdout
    assert (
        "line 6" in run("--by", "Ann", "--all", answers="q\n").stdout
        or "1 of 4" in run("--all", answers="\nq\n").stdout
    )


def test_a_colour_that_is_not_known_is_asked_again(place: Any) -> None:
    """What was decided before it stays; nothing is written about its line."""
    result = run("--by", "Ann", answers="o\nGREEN\nq\n")
    assert result.exit_code == 0
    assert "Not in tables/colours: GREEN. Nothing is written about this line yet." in result.stdout
    assert (place.models / "mill" / "flexible_lines.csv").read_text() == OLD
    run("--by", "Ann", answers="o\nGREEN\no\nBLU, RED\nwhy\nq\n")
    accepted = {row["line_number"]: row["accept_colour_codes"] for row in flexible_lines(place)}
    assert accepted["3"] == "BLU;RED"


def test_a_wrong_answer_changes_nothing(place: Any) -> None:
    result = run("--by", "Ann", answers="n\nclose\nwhy\n")
    assert result.exit_code == 3
    assert "close" in result.output
    assert (place.models / "mill" / "flexible_lines.csv").read_text() == OLD


def test_a_decision_has_the_date_it_was_made_on(place: Any) -> None:
    result = run("--by", "Ann", "--on", "2026-11-01", answers="a\nseen\nq\n")
    assert "every `kitfare refresh` that prices 2026-11-01 or later" in result.stdout
    assert [row["decided_on"] for row in flexible_lines(place) if row["line_number"] == "3"] == ["2026-11-01"]
    assert run("--on", "yesterday").exit_code == 2


def test_decisions_come_from_a_file(place: Any) -> None:
    (place.root / "mine.csv").write_text("line_number,colour_rule,reason\n3,any,hidden\n4,as_listed,\n")
    result = run("--from", "mine.csv", "--by", "Ann")
    assert result.exit_code == 0 and "Wrote decisions about 2 lines" in result.stdout
    assert [(row["line_number"], row["decided_by"]) for row in flexible_lines(place)] == [
        ("1", ""), ("3", "Ann"), ("4", "Ann"), ("5", ""),
    ]  # fmt: skip
    (place.root / "mine.csv").write_text("line_number,colour_rule,reason\n")
    assert "has no decisions" in run("--from", "mine.csv").stdout


def test_a_line_is_explained(place: Any) -> None:
    explained = run("--explain", "1").stdout
    for sentence in (
        "version 1: 4 x brick (brick) in RED (RED)",
        "2026-01-05: portion 1, the rest: any. hidden, inside",
        "Its flexibility of colour saves: alone 2.00 (between 1.40 and 2.10); on top of all others no clear saving (between 0.00 and "
        "0.60); fair share about 1.50 (estimated).",
        "Its saving depends on lines 3: same stock.",
    ):
        assert sentence in explained
    explained = run("--explain", "3").stdout
    assert "Decisions\n  none\n" in explained
    assert "Number 1 of the look-first list: any colour could save 2.10; it would be bought in BLU." in explained


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--explain", "70"), "mill has no line 70"),
        (("--buyer", "away"), "there is no buyer away"),
        (("--from", "none.csv"), "no such file"),
    ],
)
def test_what_is_not_there_is_reported(place: Any, arguments: Any, message: Any) -> None:
    result = run(*arguments)
    assert result.exit_code in (2, 3) and message in result.output


def test_an_unknown_model_is_reported(place: Any) -> None:
    result = CliRunner().invoke(app, ["decide", "barn"])
    assert result.exit_code == 2 and "nothing is published about a model barn" in result.output


def test_decisions_that_a_changed_list_puts_aside_are_listed(place: Any) -> None:
    assert "Every decision about mill counts for its line." in run("--list").stdout
    rows = "line_number,part_code,colour_code,colour_rule,decided_on\n3,tile,RED,any,2026-01-05\n"
    (place.models / "mill" / "flexible_lines.csv").write_text(rows)
    shown = run("--list").stdout
    assert "line 3 is brick in RED now, and no line is tile in RED" in shown and "Decide again" in shown
