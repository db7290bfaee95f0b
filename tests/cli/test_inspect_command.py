"""``kitfare inspect``: what it shows of a file, with a workspace and without; nothing is written anywhere."""

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from typer.testing import CliRunner

from pipelines.cli.main import app
from tests.builders.hostile_files import light_files, names, put
from tests.builders.length import examples

OURS = (
    "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,coverage\n"
    "north,00501,red,new,0.10,EUR,50,2026-10-31,full\n"
    "north,00502,red,new,much,EUR,50,2026-10-31,full\n"
)
THEIRS = "Item;Shade;State;Each;Stock\n00501;Red;fresh;0,10;50\n00502;Red;fresh;0,20;7\n"


def run(*arguments: Any) -> Any:
    return CliRunner().invoke(app, ["inspect", *map(str, arguments)])


def snapshot(folder: Any) -> Any:
    return {path: path.stat().st_mtime_ns for path in folder.rglob("*")}


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    CliRunner().invoke(app, ["init", str(tmp_path / "space")])
    (tmp_path / "ours.csv").write_text(OURS)
    (tmp_path / "theirs.csv").write_text(THEIRS)
    monkeypatch.chdir(tmp_path / "space")
    return tmp_path


def test_rows_accepted_and_quarantined_are_reported_and_nothing_is_touched(place: Any) -> None:
    before = snapshot(place)
    result = run(place / "ours.csv")
    assert result.exit_code == 0, result.output
    assert "price_export" in result.stdout
    assert "line 3: unit_price 'much'" in result.stdout
    assert "2 rows read: 1 accepted, 1 quarantined" in result.stdout
    assert snapshot(place) == before


def test_without_a_workspace_it_works_and_notes_that_no_profiles_are_used(
    place: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    result = run(place / "ours.csv")
    assert result.exit_code == 0 and "1 accepted, 1 quarantined" in result.stdout
    assert "There is no workspace here" in result.stderr


def test_a_draft_is_toml_alone_on_standard_output(place: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place)
    result = run(place / "theirs.csv", "--draft-profile")
    assert result.exit_code == 0 and not result.stderr
    assert tomllib.loads(result.stdout)


def test_a_file_that_is_not_there_is_reported(place: Any) -> None:
    for path in (place / "none.csv", place):
        result = run(path)
        assert result.exit_code == 2 and str(path) in result.stderr


def test_a_file_that_can_t_be_read_is_reported(place: Any) -> None:
    (place / "odd.xlsx").write_bytes(b"PK\x03\x04 no more")
    result = run(place / "odd.xlsx")
    assert result.exit_code == 0, "the inspection itself did its work"
    assert "The file would be quarantined whole." in result.stdout


@settings(
    max_examples=examples(15, 400),
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],
)
@given(name=names, content=light_files)
def test_a_hostile_file_ends_in_words_and_a_stated_exit_code(place: Any, name: bytes, content: bytes) -> None:
    folder = place / "hostile"
    folder.mkdir(exist_ok=True)
    path = put(folder, name, content)
    try:
        for options in ([], ["--draft-profile"]):
            result = CliRunner().invoke(
                app, ["inspect", *options, "--workspace", str(place / "space"), "--", str(path)]
            )
            assert result.exit_code in (0, 3), (name, content[:1000], result.output)
            assert result.output.strip() and "Traceback" not in result.output
    finally:
        path.unlink()
