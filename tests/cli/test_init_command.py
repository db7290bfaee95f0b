"""``kitfare init``: everything is there and explained, and nothing that exists is touched."""

import csv
import os
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.settings import ModelSettings, Settings
from pipelines.settings_base import load_toml
from pipelines.workspace import Workspace
from schemas.all_tables import WORKSPACE_TABLES
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST


def init(*arguments: Any) -> Any:
    return CliRunner().invoke(app, ["init", *map(str, arguments)])


def header(path: Any) -> Any:
    with path.open(newline="") as file:
        [columns, *rows] = csv.reader(file)
    assert not rows
    return tuple(columns)


def test_a_new_workspace_has_everything(tmp_path: Path) -> None:
    result = init(tmp_path / "deep" / "new")
    assert result.exit_code == 0, result.output
    place = Workspace(tmp_path / "deep" / "new")
    for folder in (place.inbox, place.quarantined, place.profiles, place.tables, place.models):
        assert folder.is_dir()
    assert isinstance(place.settings(), Settings)
    found = {path.name: header(path) for path in place.tables.iterdir()}
    assert found == {f"{contract.name}.csv": contract.columns for contract in WORKSPACE_TABLES}
    assert isinstance(load_toml(place.models / "model.toml.example", ModelSettings), ModelSettings)
    for name, contract in (("parts", PARTS_LIST), ("flexible_lines", FLEXIBLE_LINES), ("amendments", AMENDMENTS)):
        assert header(place.models / f"{name}.csv.example") == contract.columns
    assert "kitfare refresh" in result.stdout


def test_an_empty_folder_becomes_a_workspace(tmp_path: Path) -> None:
    assert init(tmp_path).exit_code == 0
    Workspace(tmp_path)


@pytest.mark.parametrize("name", ["notes.txt", ".hidden"])
def test_a_folder_with_something_in_it_is_left_alone(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_text("mine")
    result = init(tmp_path)
    assert result.exit_code == 2
    assert "is not empty" in result.stderr and "nothing was changed" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_workspace_is_not_made_twice(tmp_path: Path) -> None:
    init(tmp_path / "new")
    settings = tmp_path / "new" / "kitfare.toml"
    settings.write_text("# mine")
    result = init(tmp_path / "new")
    assert result.exit_code == 2 and "is a workspace already" in result.stderr
    assert settings.read_text() == "# mine"


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    result = init(tmp_path / "file")
    assert result.exit_code == 2 and "is a file, not a folder" in result.stderr


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_reported(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    result = init(tmp_path / "new")
    assert result.exit_code == 1 and "Permission denied" in result.stderr


def test_below_a_file_is_reported(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    result = init(tmp_path / "file" / "new")
    assert result.exit_code == 1 and "file" in result.stderr and "Traceback" not in result.output


def test_the_demo_is_a_workspace_with_a_full_inbox(tmp_path: Path) -> None:
    result = init(tmp_path / "demo", "--demo")
    assert result.exit_code == 0, result.output
    assert f"kitfare refresh --workspace {tmp_path / 'demo'}" in result.stdout
    place = Workspace(tmp_path / "demo")
    assert place.settings().buyer and any(place.inbox.iterdir()) and any(place.models.iterdir())
