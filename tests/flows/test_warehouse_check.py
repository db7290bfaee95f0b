"""A refresh on a warehouse that lacks files of the archive's journal is refused before it does anything."""

import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.errors import BusyError, InputError
from pipelines.flows.rebuild import compare, rebuild
from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps, warehouse_check
from pipelines.intake.archiving import journal
from pipelines.warehouse import connect
from pipelines.workspace import Workspace
from tests.builders.workspaces import export, make_workspace

NEW = export("south", "2026-11-02", ("00501", "red", "0.13", 20), ("00502", "blue", "0.41", 9))
OLD_COPY = "warehouse.old"


def night(place: Any, number: int) -> None:
    """The steps of a refresh that write to the archive and the warehouse."""
    intake_steps.clean_up(place)
    inputs = intake_steps.read_inputs(place, datetime(2026, 11, 1, 2, 30) + timedelta(days=number))
    history_steps.fold_history(plausibility_steps.check_exports(intake_steps.take_in_files(inputs)))


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Two nights, and a copy of the warehouse as it was after the first."""
    place = make_workspace(tmp_path_factory.mktemp("lost") / "space")
    (place.inbox / "broken.csv").write_text("no prices\n")
    night(place, 1)
    shutil.copy(place.warehouse, place.root / OLD_COPY)
    (place.inbox / "more.csv").write_text(export("north", "2026-11-01", ("00501", "red", "0.09", 50)))
    night(place, 2)
    return place


@pytest.fixture
def place(template: Any, tmp_path: Path) -> Any:
    return Workspace(shutil.copytree(template.root, tmp_path / "space"))


def lose(place: Any) -> None:
    place.warehouse.unlink()


def truncate(place: Any) -> None:
    size = place.warehouse.stat().st_size
    with place.warehouse.open("r+b") as file:
        file.truncate(size // 3)


def empty(place: Any) -> None:
    place.warehouse.write_bytes(b"")


def put_back_old_copy(place: Any) -> None:
    shutil.copy(place.root / OLD_COPY, place.warehouse)


def make_anew(place: Any) -> None:
    place.warehouse.unlink()
    with connect.writer(place.warehouse):
        pass


def files_of(place: Any) -> dict[Path, bytes]:
    """All files of a workspace but the records of its refreshes."""
    return {
        path: path.read_bytes() for path in place.root.rglob("*") if path.is_file() and place.runs not in path.parents
    }


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (lose, "the warehouse lacks 5 of 5 price files"),
        (make_anew, "the warehouse lacks 5 of 5 price files"),
        (put_back_old_copy, "the warehouse lacks 1 of 5 price files"),
        (truncate, "warehouse.duckdb is damaged"),
        (empty, "cannot be opened as a database"),
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_it_is_refused_and_a_rebuild_corrects_it(harm: Any, words: Any, place: Any) -> None:
    shutil.copy(place.warehouse, place.root / "kept.duckdb")
    harm(place)
    (place.inbox / "new.csv").write_text(NEW)
    files = files_of(place)
    result = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
    assert result.exit_code == 3, result.output
    assert words in result.stderr and "run `kitfare rebuild`" in result.stderr
    files[place.root / ".refresh.lock"] = b""
    assert files_of(place) == files, "nothing was taken in"

    rebuilt = CliRunner().invoke(app, ["rebuild", "--workspace", str(place.root)])
    assert rebuilt.exit_code == 0, rebuilt.output
    assert compare(place.warehouse, place.root / "kept.duckdb") == []
    night(place, 3)
    assert not list(place.inbox.iterdir())
    assert rebuild(place, replace=False).differences == []


def test_a_new_workspace_and_one_without_a_price_file_are_fine(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    warehouse_check.require_every_file(place)
    for path in place.inbox.iterdir():
        path.unlink()
    night(place, 1)
    place.warehouse.unlink()
    night(place, 2)
    assert journal.read_journal(place.archive).page_count and not journal.read_journal(place.archive).readings


def test_a_refresh_killed_before_the_journal_knows_its_files_does_not_count(
    place: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    (place.inbox / "new.csv").write_text(NEW)

    def killed(*_: Any) -> None:
        raise KeyboardInterrupt

    inputs = intake_steps.read_inputs(place, datetime(2026, 11, 4))
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(journal, "note_readings", killed)
        intake_steps.take_in_files(inputs)
    assert len(journal.read_journal(place.archive).readings) == 5
    night(place, 4)
    assert len(journal.read_journal(place.archive).readings) == 6


def test_no_archived_price_file_is_read(place: Any) -> None:
    for path in place.archive.glob("[0-9a-f][0-9a-f]/*"):
        path.unlink()
    warehouse_check.require_every_file(place)
    place.warehouse.unlink()
    with pytest.raises(InputError, match="lacks 5 of 5"):
        warehouse_check.require_every_file(place)


def test_a_warehouse_that_another_program_has_open_is_busy_and_not_lost(place: Any) -> None:
    with connect.writer(place.warehouse), pytest.raises(BusyError):
        warehouse_check.require_every_file(place)


def test_a_warehouse_of_a_newer_version_is_refused_and_a_rebuild_makes_one_of_this(place: Any) -> None:
    with connect.writer(place.warehouse) as con:
        con.execute("insert into schema_migration values (999, '999_future.sql')")
    (place.root / "kitfare.toml").write_text((place.root / "kitfare.toml").read_text() + "# changed\n")
    before = files_of(place)
    result = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
    assert result.exit_code == 1 and "newer version of kitfare" in result.stderr and "layout 999" in result.stderr
    assert {path: content for path, content in files_of(place).items() if path.name != ".refresh.lock"} == {
        path: content for path, content in before.items() if path.name != ".refresh.lock"
    }
    rebuild(place, replace=True)
    night(place, 3)


def test_an_archive_that_is_gone_is_not_begun_anew(place: Any) -> None:
    """As when its disk is not mounted: an empty folder is in its place. A new journal there would forget all that was taken in."""
    place.archive.rename(place.root / "elsewhere")
    place.archive.mkdir()
    with pytest.raises(InputError, match="the archive has no journal") as refused:
        night(place, 3)
    assert "kitfare restore" in refused.value.next_step and list(place.archive.iterdir()) == []
    place.archive.rmdir()
    (place.root / "elsewhere").rename(place.archive)
    night(place, 3)


@pytest.mark.parametrize("name", ["inbox", "taken", "quarantine", "archive", "generations"])
def test_a_share_that_vanished_is_named(place: Any, name: str) -> None:
    folder = place.root / name
    if folder.exists():
        folder.rename(place.root / "elsewhere")
    folder.symlink_to("/nowhere/share")
    with pytest.raises(InputError, match=f"{name} is a link that leads nowhere") as refused:
        night(place, 3)
    assert "share" in refused.value.next_step and "published stays" in refused.value.state
