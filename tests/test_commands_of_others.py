"""Programs named in kitfare.toml run only where nobody else could have written the file."""

import json
import os
import sys
from pathlib import Path

import pytest

from pipelines.flows.watch_news import pass_on
from pipelines.workspace import Workspace
from tests.flows.test_watch_news import DAY, found


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    root = tmp_path / "space"
    root.mkdir(mode=0o755)
    trace = json.dumps(f"open({str(tmp_path / 'ran')!r}, 'w')")
    (root / "kitfare.toml").write_text(
        '[[buyer]]\nbuyer_code = "home"\ntitle = "h"\nregion_code = "n"\ncurrency_code = "EUR"\n'
        f'[watch_news]\ncommand = [{json.dumps(sys.executable)}, "-c", {trace}]\n'
    )
    return Workspace(root)


def ran(place: Workspace) -> tuple[bool, str]:
    """Whether the command ran, and what was said last."""
    messages = pass_on(place, "r", DAY, found(("a", True)), None)
    return (place.root.parent / "ran").exists(), messages[-1]


def test_it_runs_where_the_owner_alone_can_write(place: Workspace) -> None:
    assert place.why_no_commands() == ""
    assert ran(place) == (True, "watch w: hut, home: a: few left.")
    # A folder that all may write to, but in which nobody may replace another's files, is as good.
    place.root.parent.chmod(0o1777)
    assert place.why_no_commands() == ""


@pytest.mark.parametrize("which", ["kitfare.toml", "", ".."], ids=["the file", "its folder", "the folder above"])
@pytest.mark.parametrize("bit", [0o002, 0o020])
def test_it_does_not_run_where_others_can_write(place: Workspace, which: str, bit: int) -> None:
    path = (place.root / which).resolve()
    if bit == 0o020:
        if os.geteuid() != 0:
            pytest.skip("only root can give a file to another group")
        os.chown(path, -1, 65534)
    before = path.stat().st_mode
    path.chmod(before | bit)
    has_run, said = ran(place)
    assert not has_run and f"others can write to {path}" in said and f"chmod go-w '{path}'" in said
    path.chmod(before)
    assert ran(place)[0], "what the message says helps"


def test_it_does_not_run_where_the_file_is_another_user_s(place: Workspace) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can give a file away")
    os.chown(place.root / "kitfare.toml", 65534, -1)
    has_run, said = ran(place)
    assert not has_run and "belongs to another user" in said


def test_a_link_is_followed(place: Workspace, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (place.root / "kitfare.toml").rename(elsewhere / "kitfare.toml")
    (place.root / "kitfare.toml").symlink_to(elsewhere / "kitfare.toml")
    assert place.why_no_commands() == ""
    elsewhere.chmod(0o777)
    assert str(elsewhere) in place.why_no_commands()
