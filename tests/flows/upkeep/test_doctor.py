"""``kitfare doctor`` finds each thing that keeps a workspace from its next refresh, and corrects what is safe, and only that."""

import json
import os
from collections import namedtuple
from collections.abc import Callable
from datetime import datetime, timedelta
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.errors import BusyError
from pipelines.flows.refresh import only_refresh
from pipelines.flows.runs import disk_use, run_record
from pipelines.flows.scheduler import server_record
from pipelines.flows.upkeep import doctor, installation
from pipelines.flows.upkeep.check_result import CheckResult
from pipelines.warehouse import connect
from pipelines.workspace import Workspace
from tests.builders.workspaces import make_workspace


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    """A workspace with every folder, a warehouse without files, and something published."""
    found = make_workspace(tmp_path / "space")
    for name in ("inbox", "quarantine", "taken", "archive", "runs", "generations", "profiles", "tables", "models"):
        (found.root / name).mkdir(exist_ok=True)
    with connect.writer(found.warehouse):
        pass
    (found.generations / "one" / "private").mkdir(parents=True)
    (found.generations / "one" / "private" / "kitfare.duckdb").touch()
    found.published.symlink_to("generations/one")
    return found


def look(place: Workspace, code: str, **named: Any) -> CheckResult:
    (found,) = [each for each in doctor.examine(place, **named) if each.code == code]
    return found


def test_a_whole_workspace_is_well_and_stays_as_it_is(place: Workspace) -> None:
    before = {path: path.lstat().st_ctime_ns for path in place.root.rglob("*") if path.is_file()}
    assert [each for each in doctor.examine(place) if each.standing != "well"] == []
    assert {path: path.lstat().st_ctime_ns for path in place.root.rglob("*") if path.is_file()} == before


def test_missing_folders_are_made(place: Workspace) -> None:
    (place.quarantined).rmdir()
    found = look(place, "folders")
    assert found.standing == "advice" and "quarantine/" in found.text
    doctor.correct(place, doctor.examine(place))
    assert place.quarantined.is_dir() and look(place, "folders").standing == "well"


def test_a_share_that_is_gone_and_a_folder_that_takes_nothing_are_named(place: Workspace) -> None:
    for folder in (place.inbox, place.quarantined):
        for each in folder.iterdir():
            each.unlink()
        folder.rmdir()
    place.inbox.symlink_to("/nowhere/share")
    place.quarantined.symlink_to("/proc/self")  # takes no files, from the superuser either
    gone, refused = [each for each in doctor.examine(place) if each.code == "folders"]
    assert gone.standing == refused.standing == "fault" and gone.correct is None
    assert "inbox/ is a link to /nowhere/share" in gone.text and "quarantine/" in refused.text


def test_what_killed_processes_left_is_removed_and_nothing_else(place: Workspace) -> None:
    kept = [place.archive / "ab" / "hash", place.inbox / "new.csv.part", place.tables / "notes.csv"]
    left = [
        place.archive / ".storing-x", place.taken / "2026-10-01" / "abcdefabcdef" / ".writing-y", place.tables / "accepted_exports.csv.part",
        place.generations / "two.building" / "private" / "x", place.root / "warehouse.duckdb.making", place.runs / ".000001.json.new",
    ]  # fmt: skip
    for path in (*kept, *left):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    found = look(place, "leftovers")
    assert found.standing == "advice" and f": {len(left)}," in found.text
    with only_refresh(place), pytest.raises(BusyError):
        doctor.correct(place, doctor.examine(place))
    assert all(path.exists() for path in left)
    doctor.correct(place, doctor.examine(place))
    assert [path for path in kept if not path.exists()] == [path for path in left if path.exists()] == []
    assert look(place, "leftovers").standing == "well"


def test_a_clock_that_was_set_back_is_found(place: Workspace) -> None:
    now = datetime(2026, 11, 20, 3)
    recorder = run_record.Recorder(place, run_record.Run(1, now, "published", now + timedelta(minutes=10)))
    assert recorder.update()
    assert look(place, "clock", now=now + timedelta(minutes=6)).standing == "well"
    found = look(place, "clock", now=now - timedelta(days=2))
    assert found.standing == "fault" and "2026-11-18 03:00" in found.text and "2026-11-20 03:10" in found.text


def test_a_full_disk_is_a_fault_before_it_stops_a_night(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    disk = namedtuple("disk", "f_bavail f_frsize f_files f_favail")
    needed = disk_use.needed_bytes(place)
    for free, files, standing in ((needed, 10**6, "well"), (needed - 1, 10**6, "fault"), (needed, 10, "fault")):
        monkeypatch.setattr(os, "statvfs", lambda _, free=free, files=files: disk(free, 1, 1, files))
        assert look(place, "disk").standing == standing
    # A file system without a number of files, such as btrfs, has room for more.
    monkeypatch.setattr(os, "statvfs", lambda _: disk(needed, 1, 0, 0))
    assert look(place, "disk").standing == "well"


def test_a_newer_layout_and_a_lost_warehouse_are_faults(place: Workspace) -> None:
    with connect.writer(place.warehouse) as con:
        con.execute("insert into schema_migration values (999, 'later')")
    found = look(place, "layout")
    assert found.standing == "fault" and "layout 999, of a newer kitfare" in found.text
    place.warehouse.write_bytes(b"no database")
    assert look(place, "layout").standing == "fault"


def test_the_record_of_a_server_that_ended_is_emptied_and_a_running_one_is_left(place: Workspace) -> None:
    record = server_record.ServerRecord("http://127.0.0.1:1", "a:b", 2**22 + 1)
    with server_record.locked_record(place) as write:
        write(record)
        assert look(place, "server").standing == "well"
        file = server_record.prefect_home(place) / server_record.NAME
        written = file.read_bytes()
    file.write_bytes(written)  # as after a kill
    assert look(place, "server").standing == "advice"
    doctor.correct(place, doctor.examine(place))
    assert file.read_bytes() == b"" and look(place, "server").standing == "well"


@pytest.mark.parametrize(
    ("break_it", "words"),
    [
        (lambda place: place.published.unlink(), "Nothing is published yet"),
        (lambda place: (place.published / "private" / "kitfare.duckdb").unlink(), "gone or not whole"),
    ],
)
def test_what_is_published_is_looked_at(place: Workspace, break_it: Callable[[Workspace], None], words: str) -> None:
    break_it(place)
    found = look(place, "published")
    assert found.standing != "well" and words in found.text and "kitfare refresh" in found.next_step


def test_libraries_are_compared_with_what_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(metadata, "version", {"one": "2.10.1", "two": "3.0"}.__getitem__)
    assert [installation.unmet(line) for line in ("one>=2.9", "one>=2.10.1", "two==3.0", "two>=3")] == [""] * 4
    assert installation.unmet("one>=2.11") == "one is 2.10.1, needed is >= 2.11"
    assert installation.unmet("two==3.1") and installation.unmet("two[extra]>=4")


def test_a_missing_library_is_named() -> None:
    assert installation.unmet("no-such-library-here>=1") == "no-such-library-here is missing"


def test_the_installation_of_the_tests_is_whole() -> None:
    assert {each.code: each.standing for each in installation.findings()}["fonts"] == "well"


def test_the_command_has_a_line_for_each_and_says_the_worst_by_its_code(place: Workspace) -> None:
    def called(*options: str) -> Any:
        return CliRunner().invoke(app, ["doctor", "--workspace", str(place.root), *options])

    assert called().exit_code == 0, called().output
    (place.archive / ".storing-x").write_bytes(b"x")
    result = called("--json")
    content = json.loads(result.stdout)
    assert result.exit_code == content["exit_code"] == 7 and content["corrected"] == []
    assert {"code", "standing", "text", "next_step"} == set(content["checks"][0])
    result = called("--fix")
    assert result.exit_code == 0 and "Corrected: leftovers." in result.stdout, result.output
    (place.root / "kitfare.toml").write_text("nonsense = 1\n")
    result = called()
    assert result.exit_code == 6 and "FAULT" in result.stdout, result.output
