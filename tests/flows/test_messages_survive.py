"""Killed at any point, a refresh loses no message and no news: the next one that succeeds shows and passes on all of them."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.runs import run_record
from pipelines.workspace import Workspace
from tests.builders.length import IS_LONG
from tests.builders.programs.killed_refresh import BEFORE_IT_IS_SHOWN, POINTS
from tests.builders.runs import NOTE_DOWN, heard, program, refresh_and_show
from tests.builders.workspaces import export, make_workspace
from tests.present import present

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-m", "pipelines.cli.main", "refresh", "--workspace"]
KILLED = [sys.executable, "-m", "tests.builders.programs.killed_refresh"]
WATCH = '\n[[watch]]\nwatch_code = "cheap"\nkind = "model_below"\namount = 100\n[[notify]]\nabout = ["watches"]\n'

QUARANTINED = "south-new.csv: 1 of 2 rows quarantined"
WATCHED = "watch cheap: hut, home:"


def run(command: list[str]) -> Any:
    return subprocess.run(command, capture_output=True, text=True, timeout=240, cwd=ROOT)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Refreshed once; then a watch and someone who hears of it came, and a file with a row to quarantine."""
    place = make_workspace(tmp_path_factory.mktemp("survive") / "space")
    refresh_and_show(place)
    with (place.root / "kitfare.toml").open("a", encoding="utf-8") as settings:
        settings.write(WATCH + program(NOTE_DOWN))
    bad = export("south", "2026-11-01", ("00502", "blue", "much", 9), ("00501", "red", "0.12", 20))
    (place.inbox / "south-new.csv").write_text(bad)
    return place


@pytest.fixture
def place(template: Any, tmp_path: Path) -> Any:
    return Workspace(Path(shutil.copytree(template.root, tmp_path / "space", symlinks=True)))


def test_killed_at_one_point_after_the_other_the_last_one_shows_and_passes_on_all(place: Any) -> None:
    """No refresh between the kills ends."""
    for point in [*POINTS, BEFORE_IT_IS_SHOWN]:
        killed = run([*KILLED, str(place.root), point])
        assert killed.returncode == -9, (point, killed.stderr)
    last = run([*COMMAND, str(place.root)])
    assert last.stderr.count(QUARANTINED) == 1 and last.stderr.count(WATCHED) == 1, last.stderr
    assert "1 row is quarantined" in last.stderr and [news["kind"] for news in heard(place)] == ["watches"]
    again = run([*COMMAND, str(place.root)])
    assert QUARANTINED not in again.stderr and WATCHED not in again.stderr and len(heard(place)) == 1


@pytest.mark.skipif(not IS_LONG, reason="KITFARE_LONG_TESTS=1 runs it")
@pytest.mark.parametrize("point", [*POINTS, BEFORE_IT_IS_SHOWN])
def test_killed_at_a_point_the_next_one_shows_and_passes_on_all(point: str, place: Any) -> None:
    killed = run([*KILLED, str(place.root), point])
    assert killed.returncode == -9, killed.stderr
    again = run([*COMMAND, str(place.root)])
    assert again.returncode == 0, again.stderr
    assert again.stderr.count(QUARANTINED) == 1 and again.stderr.count(WATCHED) == 1, again.stderr
    assert "1 row is quarantined" in again.stderr
    assert len({news["notice_id"] for news in heard(place)}) == 1 and len(heard(place)) in (1, 2)
    assert heard(place)[0]["fired"][0]["is_new"]
    first = present(run_record.read(place, 2))
    assert first.outcome == ("killed" if first.shown_at is None and "killed" in first.why else "published")
    assert [name for name, _ in first.files] == ["south-new.csv"]
    third = run([*COMMAND, str(place.root)])
    assert third.returncode == 0 and QUARANTINED not in third.stderr and WATCHED not in third.stderr
    assert [news["kind"] for news in heard(place)] == ["watches"] * len(heard(place)) and len(heard(place)) <= 2


def test_shown_to_nobody_it_is_shown_again(place: Any) -> None:
    """The reader of its messages has gone: a pipe that is closed."""
    reading, writing = os.pipe()
    process = subprocess.Popen([*COMMAND, str(place.root)], stdout=subprocess.DEVNULL, stderr=writing, cwd=ROOT)
    os.close(writing)
    with os.fdopen(reading, "rb") as stream:
        for line in stream:
            if line.startswith(b"publish "):
                break
    process.wait(240)
    assert present(run_record.read(place, 2)).outcome == "published" and heard(place)
    again = run([*COMMAND, str(place.root)])
    assert QUARANTINED in again.stderr and WATCHED in again.stderr
    assert QUARANTINED not in run([*COMMAND, str(place.root)]).stderr and len(heard(place)) == 1


def test_a_failure_shows_messages_and_keeps_them(place: Any) -> None:
    """It fails as it publishes, because something else stands in the link's place."""
    link = place.published
    generation = link.readlink()
    link.unlink()
    link.mkdir()
    failed = run([*COMMAND, str(place.root)])
    assert failed.returncode == 1 and QUARANTINED in failed.stderr, failed.stderr
    link.rmdir()
    link.symlink_to(generation)
    assert present(run_record.read(place, 2)).outcome == "failed" and heard(place) == []
    again = run([*COMMAND, str(place.root)])
    assert again.stderr.count(QUARANTINED) == 1 and WATCHED in again.stderr and len(heard(place)) == 1
