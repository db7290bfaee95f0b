"""Removals and maker's lines never pass to another part, and decisions name theirs when they are written."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pipelines.errors import InputError
from pipelines.intake.workspace.line_decisions import add_decisions
from pipelines.intake.workspace.workspace_files import checked_model, read_workspace
from pipelines.workspace import Workspace

KITFARE = '[[buyer]]\nbuyer_code = "home"\ntitle = "home"\nregion_code = "x"\ncurrency_code = "EUR"\n'
COLOURS = (
    "colour_code,colour_name,srgb_hex,colour_family,finish\nRED,Red,#C01010,reds,plain\nBLU,Blue,#1030C0,blues,plain\n"
)
HEAD = "list_version,line_number,part_code,colour_code,quantity\n"
TOML = 'model_code = "mill"\ntitle = "A mill"\n[[versions]]\nlist_version = 1\nreleased_on = 2026-01-01\n'
TWO = TOML + "[[versions]]\nlist_version = 2\nreleased_on = 2026-06-01\n"
SWAPPED = HEAD + "1,1,brick,RED,4\n1,2,plate,BLU,2\n2,1,plate,BLU,2\n2,2,brick,RED,4\n"
AMENDMENTS = "line_number,amendment_action,part_code,colour_code,quantity\n"


def make(
    root: Path, toml: str = TOML, parts: str = HEAD + "1,1,brick,RED,4\n1,2,plate,BLU,2\n", **more: str
) -> Workspace:
    folder = root / "models" / "mill"
    folder.mkdir(parents=True)
    (root / "tables").mkdir()
    (root / "kitfare.toml").write_text(KITFARE)
    (root / "tables" / "colours.csv").write_text(COLOURS)
    (folder / "model.toml").write_text(toml)
    (folder / "parts.csv").write_text(parts)
    for name, text in more.items():
        (folder / f"{name}.csv").write_text(text)
    return Workspace(root)


def test_a_number_that_is_another_part_in_the_next_version_names_no_removal(tmp_path: Path) -> None:
    place = make(tmp_path, TWO, SWAPPED, amendments=AMENDMENTS + "1,remove,,,1\n")
    with pytest.raises(
        InputError, match=r"line 1 .*not the same part.*version 1: brick in RED; version 2: plate in BLU"
    ):
        read_workspace(place)


def test_nor_a_line_for_the_makers_shop(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="line 2 is named by its number"):
        read_workspace(make(tmp_path, "maker_lines = [2]\n" + TWO, SWAPPED))


def test_what_nothing_names_by_its_number_may_change_places(tmp_path: Path) -> None:
    assert read_workspace(make(tmp_path, TWO, SWAPPED)).remarks == ()


@pytest.mark.parametrize(
    ("part", "is_refused"), [("plate,BLU", True), ("brick,BLU", True), ("brick,RED", False), (",", False)]
)
def test_a_removal_that_names_another_part_is_refused(tmp_path: Path, part: str, is_refused: bool) -> None:
    place = make(tmp_path, amendments=AMENDMENTS + f"1,remove,{part},1\n")
    if is_refused:
        with pytest.raises(
            InputError, match=r"removed from line 1, which is brick in RED(.|\n)*amendments.csv, line 2"
        ):
            read_workspace(place)
    else:
        read_workspace(place)


def test_a_refresh_names_decisions_that_were_put_aside(tmp_path: Path) -> None:
    flexible = "line_number,part_code,colour_code,colour_rule\n1,brick,BLU,any\n2,plate,BLU,any\n"
    (remark,) = read_workspace(make(tmp_path, flexible_lines=flexible)).remarks
    assert remark.startswith(
        "mill: 1 decision is put aside (line 1: line 1 is brick in RED now, and no line is brick in BLU)"
    )
    assert "kitfare decide mill --list" in remark


def test_a_decision_is_written_with_its_part_and_colour(tmp_path: Path) -> None:
    place = make(tmp_path)
    path = add_decisions(place, "mill", [{"line_number": "2", "colour_rule": "any", "decided_on": "2026-05-01"}])
    (row,) = csv.DictReader(path.read_text().splitlines())
    assert (row["part_code"], row["colour_code"]) == ("plate", "BLU")
    (place.models / "mill" / "parts.csv").write_text(HEAD + "1,1,plate,BLU,2\n1,2,brick,RED,4\n")
    stale = {
        "line_number": "2",
        "part_code": "plate",
        "colour_code": "BLU",
        "colour_rule": "near",
        "near_distance": "3",
    }
    before = path.read_text()
    with pytest.raises(
        InputError, match="decision about line 2 is about plate in BLU, but line 2 of mill is brick in RED"
    ):
        add_decisions(place, "mill", [{**stale, "decided_on": "2026-05-01"}])
    assert path.read_text() == before


def test_two_parts_under_one_number_on_one_day_are_two_decisions(tmp_path: Path) -> None:
    flexible = "line_number,part_code,colour_code,colour_rule,decided_on\n1,plate,BLU,any,2026-05-01\n"
    place = make(tmp_path, flexible_lines=flexible)
    add_decisions(place, "mill", [{"line_number": "1", "colour_rule": "as_listed", "decided_on": "2026-05-01"}])
    rows = checked_model(place, "mill").flexible_lines.select("part_code", "colour_rule").rows()
    assert sorted(rows) == [("brick", "as_listed"), ("plate", "any")]
