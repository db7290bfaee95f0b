"""Kills with Prefect: of the refresh, of the schedule, of the server alone, of a second refresh; the next run works at once."""

import os
import signal
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.scheduler.server_record import read_record
from pipelines.workspace import Workspace
from tests.builders.strangers import KITFARE, as_owner, deployments, family, running_schedule
from tests.builders.workspaces import make_workspace
from tests.present import present

REFRESH = [KITFARE, "refresh", "--prefect"]


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    return make_workspace(tmp_path / "space")


def started(place: Workspace, until: str, more_seconds: float = 0.0) -> Any:
    """A refresh that has reached a step, and has run a little longer."""
    process = subprocess.Popen(REFRESH, stderr=subprocess.PIPE, text=True, cwd=place.root)
    said = []
    for line in present(process.stderr):
        said.append(line)
        if line.startswith(until):
            time.sleep(more_seconds)
            return process
    raise AssertionError(f"it never came to {until!r}: {''.join(said)}")


def killed(process: Any) -> None:
    process.kill()
    process.communicate()


def must_work(place: Workspace) -> None:
    done = subprocess.run(REFRESH, capture_output=True, text=True, timeout=300, cwd=place.root, check=False)
    assert done.returncode == 0, done.stderr
    assert (place.database).is_file()


def test_after_kills_of_the_refresh_at_any_moment(place: Workspace) -> None:
    """The server starts, makes its data base, runs; each next refresh comes further than the last."""
    for until, more_seconds in (
        ("start Prefect", 0.3), ("start Prefect", 2.0), ("start Prefect", 4.0), ("read the workspace", 0.0),
        ("plan the purchases", 0.0), ("publish", 0.0),
    ):  # fmt: skip
        killed(started(place, until, more_seconds))
    must_work(place)


def test_after_a_kill_of_the_server_alone(place: Workspace) -> None:
    process = started(place, "take in dropped files")
    os.kill(present(read_record(place)[1]).process_id, signal.SIGKILL)
    rest = process.communicate(timeout=120)[1]
    assert process.returncode == 1, rest
    assert "the Prefect server ended by itself" in rest and "run `kitfare refresh` again" in rest
    must_work(place)


def test_after_a_kill_of_the_server_while_it_starts(place: Workspace) -> None:
    process = started(place, "start Prefect", 2.0)
    servers = [one for one in family(process.pid) if b"prefect_server" in Path(f"/proc/{one}/cmdline").read_bytes()]
    for one in servers:
        os.kill(one, signal.SIGKILL)
    rest = process.communicate(timeout=120)[1]
    assert len(servers) == 1 and process.returncode == 1 and "does not start" in rest, rest
    must_work(place)


@pytest.mark.parametrize("seconds", [0.0, 3.0], ids=["its run starts", "its run works"])
def test_after_kills_of_the_schedule_and_of_a_second_refresh(place: Workspace, tmp_path: Path, seconds: float) -> None:
    with running_schedule(place, tmp_path / "said.txt") as (process, record):
        killed(started(place, "take in dropped files"))
        must_work(place)
        assert present(read_record(place)[1]) == record, "the schedule's server is used, and stays"
        deployment = deployments(record)["nightly_refresh"]["id"]
        as_owner(record, "POST", f"deployments/{deployment}/create_flow_run", {"state": {"type": "SCHEDULED"}})
        before = set(family(process.pid))
        deadline = time.monotonic() + 120
        while "spawn_main" not in (now := commands(set(family(process.pid)) - before)):
            assert time.monotonic() < deadline, now
            time.sleep(0.1)
        time.sleep(seconds)
        orphans = set(family(process.pid)) - {process.pid}
        killed(process)
        must_work(place)
        deadline = time.monotonic() + 20
        while commands(orphans) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert commands(orphans) == "", "what the schedule started ends with it"


def commands(processes: set[int]) -> str:
    """The command lines of those that still run."""
    said = ""
    for one in processes:
        path = Path(f"/proc/{one}/cmdline")
        said += path.read_text().replace("\0", " ") if path.exists() else ""
    return said
