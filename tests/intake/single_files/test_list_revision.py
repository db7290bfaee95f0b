"""A revised list: lines keep their numbers by part and colour, and a model is written whole or not at all."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.inputs import decisions_on
from pipelines.intake.single_files.list_revision import numbered
from pipelines.intake.single_files.list_table import ListLine
from pipelines.intake.workspace.workspace_files import checked_model
from pipelines.workspace import Workspace
from tests.builders.markets import line, make_model

KITFARE = '[[buyer]]\nbuyer_code = "home"\ntitle = "home"\nregion_code = "x"\ncurrency_code = "EUR"\n'
COLOURS = (
    "colour_code,colour_name,srgb_hex,colour_family,finish\nRED,Red,#C01010,reds,plain\nBLU,Blue,#1030C0,blues,plain\n"
)
FIRST = "Part,Colour,Quantity\n00501,Red,4\n00502,Blue,2\n00503,Red,1\n"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workspace:
    for name in ("models", "tables"):
        (tmp_path / name).mkdir()
    (tmp_path / "kitfare.toml").write_text(KITFARE)
    (tmp_path / "tables" / "colours.csv").write_text(COLOURS)
    monkeypatch.chdir(tmp_path)
    return Workspace(tmp_path)


def add(text: str, *options: str, answers: str = "") -> Any:
    Path("mill.csv").write_text(text, encoding="utf-8")
    return CliRunner().invoke(app, ["add", "model", "mill.csv", *options], input=answers)


def files(place: Workspace) -> dict[str, bytes]:
    return {
        path.relative_to(place.models).as_posix(): path.read_bytes()
        for path in place.models.rglob("*")
        if path.is_file()
    }


def test_a_list_becomes_a_model_that_is_valid_as_it_is(place: Workspace) -> None:
    result = add(FIRST, "--released", "2026-01-01", answers="y\n")
    assert result.exit_code == 0, result.output
    assert "mill.csv: 3 lines, 7 pieces" in result.stdout and "part: 'Part' (by its name)" in result.stdout
    model = checked_model(place, "mill")
    assert model.parts_list.select("line_number", "part_code", "colour_code", "quantity").rows() == [
        (1, "00501", "RED", 4), (2, "00502", "BLU", 2), (3, "00503", "RED", 1),
    ]  # fmt: skip
    assert set(files(place)) == {
        f"mill/{name}" for name in ("model.toml", "parts.csv", "flexible_lines.csv", "amendments.csv")
    }


def test_nothing_is_written_without_consent_or_with_a_fault(place: Workspace) -> None:
    assert "Nothing was written." in add(FIRST, answers="n\n").stdout
    result = add(FIRST.replace("Blue", "Bleu"), "--yes")
    assert result.exit_code == 3 and "colour Bleu is not in tables/colours; nearest" in result.output
    assert files(place) == {} and list(place.models.iterdir()) == []
    assert add(FIRST.replace("Blue", "Bleu"), "--yes", "--colour-is", "Bleu=BLU").exit_code == 0


def test_a_revised_list_shows_what_changes_and_keeps_numbers_and_decisions(place: Workspace) -> None:
    add(FIRST, "--yes", "--released", "2026-01-01")
    flexible = place.models / "mill" / "flexible_lines.csv"
    flexible.write_text("line_number,colour_rule,decided_on\n1,any,2026-02-01\n2,any,2026-02-01\n")
    second = "Part,Colour,Quantity\n00504,Blue,6\n00503,Red,5\n00501,Red,4\n"
    result = add(second, "--version", "2", "--released", "2026-06-01", "--yes")
    assert result.exit_code == 0, result.output
    for words in ("removed  line 2: 2 x 00502 in BLU", "changed  line 3: 5 x 00503 in RED, was 1", "added    line 4: 6 x 00504 in BLU",
                  "decision put aside, line 2: no line is 00502 in BLU now"):  # fmt: skip
        assert words in result.stdout
    model = checked_model(place, "mill")
    found = decisions_on(model, date(2026, 7, 1))
    assert found.rows["line_number"].to_list() == [1]
    toml = tomllib.loads((place.models / "mill" / "model.toml").read_text())
    assert [each["list_version"] for each in toml["versions"]] == [1, 2]
    before = files(place)
    again = add(second, "--version", "2", "--yes")
    assert again.exit_code == 2 and "has version 2 already" in again.output and files(place) == before


def test_a_version_that_makes_no_sense_leaves_the_model_as_it_was(place: Workspace) -> None:
    """Here the section that the model skips is gone from every version but the first, which stays."""
    add(FIRST, "--yes")
    (place.models / "mill" / "model.toml").write_text(
        "versions = [{list_version = 1, released_on = 2026-01-01}]\nmodel_code = 'mill'\ntitle = 'M'\n"
    )
    before = files(place)
    result = add(FIRST, "--version", "2", "--yes")
    assert result.exit_code == 3 and "model.toml" in result.output, result.output
    assert files(place) == before and [path.name for path in place.models.iterdir()] == ["mill"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--version", "2"), "there is no model mill yet"), (("--code", "../mill"), "can't name a folder"), (("--source", "hall"), "has no source hall"),
        (("--colour-is", "Noir=black"), "black is not in tables/colours"), (("--part", "Teil"), "no table of parts with the columns 'Teil'"),
    ],
)  # fmt: skip
def test_wrong_options_say_what_to_do(place: Workspace, options: tuple[str, ...], words: str) -> None:
    result = add(FIRST, "--yes", *options)
    assert result.exit_code in (2, 3) and words in result.output and "next:" in result.output
    assert files(place) == {}


elements = st.tuples(
    st.sampled_from(["a", "b", "c"]), st.sampled_from(["red", "blue"]), st.integers(1, 5), st.sampled_from(["", "roof"])
)
lists = st.lists(elements, min_size=1, max_size=8)


@given(lists, lists)
def test_a_number_never_passes_to_another_part(old: list[Any], new: list[Any]) -> None:
    model = make_model([line(n, *cells[:3], section_code=cells[3]) for n, cells in enumerate(old, 1)])
    lines = [ListLine(at, part, colour, count, section) for at, (part, colour, count, section) in enumerate(new, 2)]
    found = numbered(lines, model).lines
    assert sorted(each.source_line for _, each in found) == sorted(each.source_line for each in lines), (
        "a line was lost"
    )
    assert len({number for number, _ in found}) == len(found)
    for number, each in found:
        if number <= len(old):
            assert old[number - 1][:2] == (each.part_code, each.colour_code)
    for element in {cells[:2] for cells in new}:
        had = sum(cells[:2] == element for cells in old)
        kept = sum(number <= len(old) for number, each in found if (each.part_code, each.colour_code) == element)
        assert kept == min(had, sum(cells[:2] == element for cells in new)), "a line that stays got a new number"


@given(lists)
def test_the_same_list_again_changes_nothing(old: list[Any]) -> None:
    model = make_model([line(n, *cells[:3], section_code=cells[3]) for n, cells in enumerate(old, 1)])
    lines = [ListLine(n, part, colour, count, section) for n, (part, colour, count, section) in enumerate(old, 1)]
    revision = numbered(lines, model)
    assert revision.changes == [] and [number for number, _ in revision.lines] == list(range(1, len(old) + 1))
