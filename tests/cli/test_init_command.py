"""``kitfare init``: everything is there and explained, and nothing that exists is touched."""

import csv
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.refresh import refresh
from pipelines.intake.workspace.workspace_files import read_workspace
from pipelines.resources import resource_folder
from pipelines.settings import Settings
from pipelines.workspace import Workspace
from schemas.all_tables import WORKSPACE_TABLES
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST


def init(*arguments: Any) -> Any:
    return CliRunner().invoke(app, ["init", *map(str, arguments)])


def header(path: Any) -> Any:
    with path.open(newline="") as file:
        return tuple(next(csv.reader(file)))


def test_a_new_workspace_has_everything(tmp_path: Path) -> None:
    result = init(tmp_path / "deep" / "new")
    assert result.exit_code == 0, result.output
    place = Workspace(tmp_path / "deep" / "new")
    for folder in (place.inbox, place.quarantined, place.profiles, place.tables, place.models):
        assert folder.is_dir()
    assert isinstance(place.settings(), Settings)
    found = {path.name: header(path) for path in place.tables.iterdir()}
    assert found == {f"{contract.name}.csv": contract.columns for contract in WORKSPACE_TABLES}
    template = place.root / "templates/my_model"
    for name, contract in (("parts", PARTS_LIST), ("flexible_lines", FLEXIBLE_LINES), ("amendments", AMENDMENTS)):
        assert header(template / f"{name}.csv") == contract.columns
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


def test_a_new_workspace_is_valid_as_it_is_and_so_is_its_model_once_it_is_copied(tmp_path: Path) -> None:
    init(tmp_path / "new")
    place = Workspace(tmp_path / "new")
    inputs = read_workspace(place, is_archiving=False)
    assert not inputs.models and inputs.tables["colours"].height >= 15
    assert inputs.tables["vendors"].is_empty()
    shutil.copytree(place.root / "templates/my_model", place.models / "my_model")
    (model,) = read_workspace(place, is_archiving=False).models
    assert model.parts_list["quantity"].sum() == 1


def test_the_example_is_complete_and_its_readme_names_every_file(tmp_path: Path) -> None:
    assert init(tmp_path / "trial", "--example").exit_code == 0
    place = Workspace(tmp_path / "trial")
    inputs = read_workspace(place, is_archiving=False)
    (model,) = inputs.models
    assert model.parts_list.height == 12 and inputs.tables["vendors"].height == 3 and not inputs.remarks
    dates = {path.stem.partition("_")[2] for path in place.inbox.iterdir()}
    assert len(dates) == 2 and len(list(place.inbox.iterdir())) == 6
    example = resource_folder("demo_inputs") / "example"
    named = (place.root / "README.md").read_text(encoding="utf-8")
    for path in example.rglob("*"):
        if path.is_file() and path.name != "README.md":
            shown = path.relative_to(example).as_posix()
            later = shown.replace("_2026-11-24", "_2026-11-23")
            assert f"`{shown}`" in named or (f"`{later}`" in named and "`_2026-11-24.csv`" in named), shown
    for stated in re.findall(r"^\| `([^`]+)`", named, re.M):
        assert (place.root / stated).is_file(), stated


def test_the_example_is_priced_and_no_price_of_it_is_quarantined(tmp_path: Path) -> None:
    init(tmp_path / "trial", "--example")
    place = Workspace(tmp_path / "trial")
    outcome = refresh(place)
    assert outcome.published and not outcome.messages and outcome.quarantined_row_count == 0
    costs = outcome.model_cost
    assert costs.height == 5 and costs["unfilled_piece_count"].sum() == 0
    by_scenario = dict(costs.select("scenario_code", "landed_cost").iter_rows())
    assert by_scenario["cheapest"] <= by_scenario["flexible"] < by_scenario["listed"]


def test_a_folder_has_one_filling(tmp_path: Path) -> None:
    result = init(tmp_path / "trial", "--example", "--demo")
    assert result.exit_code == 2 and not (tmp_path / "trial").exists()
