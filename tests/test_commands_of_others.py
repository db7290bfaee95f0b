"""Programs named in kitfare.toml run only where nobody else could have written the file."""

import os
from pathlib import Path

import pytest

from pipelines.errors import InputError
from pipelines.flows.runs import delivery
from pipelines.workspace import Workspace
from tests.builders.runs import NOTE_DOWN, bare_workspace, heard, one_run, program


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    root = tmp_path / "space"
    root.mkdir(mode=0o755)
    return bare_workspace(root, "[[notify]]\n" + program(NOTE_DOWN))


def ran(place: Workspace) -> tuple[bool, str]:
    """Whether the command runs for a refresh that fails now, or for an earlier one; and what was said."""
    before = len(heard(place))
    one_run(place, error=InputError("a table is wrong", where="parts.csv:3"))
    messages = delivery.pass_on(place)
    return len(heard(place)) > before, " ".join(messages)


def test_it_runs_where_the_owner_alone_can_write(place: Workspace) -> None:
    assert place.why_no_commands() == ""
    assert ran(place) == (True, "")
    # A folder that all may write to, but in which nobody may replace another's files, is as good.
    place.root.parent.chmod(0o1777)
    assert place.why_no_commands() == ""


def test_it_does_not_get_the_login_of_the_prefect_server(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PREFECT_API_AUTH_STRING", "kitfare:secret")
    monkeypatch.setenv("OTHER", "goes along")
    fault, said = delivery.run_program(["env"], b"", place, 30)
    assert not fault and "OTHER=goes along" in said.splitlines() and "kitfare:secret" not in said


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
