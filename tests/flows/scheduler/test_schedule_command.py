"""``kitfare schedule`` from start to stop, with a refresh and the monthly flow while it runs."""

import json
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.scheduler.local_prefect import running_server
from tests.builders.workspaces import make_workspace
from tests.present import present

KITFARE = str(Path(sys.executable).with_name("kitfare"))


def ask(url: Any, path: Any, body: Any) -> Any:
    request = urllib.request.Request(f"{url}/{path}", json.dumps(body).encode(), {"content-type": "application/json"})
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def kitfare(*arguments: Any, cwd: Any) -> Any:
    return subprocess.run([KITFARE, *arguments], capture_output=True, text=True, timeout=240, cwd=cwd)


def start(root: Any, log: Any) -> Any:
    """Start the schedule, and wait until it says that it runs; returns the process and the server's address."""
    with log.open("wb") as said:
        process = subprocess.Popen(
            [KITFARE, "schedule", "--at", "02:30", "--time-zone", "Europe/Warsaw"], stdout=said, stderr=said, cwd=root
        )
    deadline = time.monotonic() + 300
    while "Ctrl-C ends it" not in log.read_text():
        assert process.poll() is None and time.monotonic() < deadline, log.read_text()
        time.sleep(0.2)
    return process, present(re.search(r"http://127\.0\.0\.1:\d+/api", log.read_text()))[0]


def deployments_once_there(url: Any) -> Any:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        found = ask(url, "deployments/filter", {})
        if len(found) == 2:
            return {deployment["entrypoint"].rpartition(".")[2]: deployment for deployment in found}
        time.sleep(0.5)
    raise AssertionError("the deployments are not registered")


def run_of(url: Any, deployment: Any, parameters: Any, seconds: int = 180) -> Any:
    """Run a deployment now; returns the state in which it ends."""
    run = ask(
        url,
        f"deployments/{deployment['id']}/create_flow_run",
        {"state": {"type": "SCHEDULED"}, "parameters": parameters},
    )
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        [now] = ask(url, "flow_runs/filter", {"flow_runs": {"id": {"any_": [run["id"]]}}})
        if now["state_type"] in ("COMPLETED", "FAILED", "CRASHED", "CANCELLED"):
            return now["state_type"]
        time.sleep(1)
    return "STILL RUNNING"


def test_from_start_to_stop(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    log = tmp_path / "said.txt"
    process, url = start(place.root, log)
    try:
        assert "Refresh every night at 02:30 Europe/Warsaw" in log.read_text()
        deployments = deployments_once_there(url)
        assert set(deployments) == {"nightly_refresh", "monthly_report"}
        lines = {name: deployment["schedules"][0]["schedule"] for name, deployment in deployments.items()}
        assert (lines["nightly_refresh"]["cron"], lines["monthly_report"]["cron"]) == ("30 2 2-31 * *", "30 2 1 * *")
        assert {line["timezone"] for line in lines.values()} == {"Europe/Warsaw"}

        second = kitfare("schedule", cwd=place.root)
        assert second.returncode == 4 and url in second.stderr
        assert url in kitfare("status", cwd=place.root).stdout

        refreshed = kitfare("refresh", cwd=place.root)
        assert refreshed.returncode == 0, refreshed.stderr
        [by_hand] = ask(url, "flow_runs/filter", {"flow_runs": {"state": {"type": {"any_": ["COMPLETED"]}}}})
        assert ask(url, "task_runs/count", {"flow_runs": {"id": {"any_": [by_hand["id"]]}}}) > 5

        assert run_of(url, deployments["monthly_report"], {"month": "2020-01"}) == "FAILED"
        assert "there is no report of 2020-01" in log.read_text()
        assert run_of(url, deployments["monthly_report"], {"month": "2026-10"}) == "COMPLETED", log.read_text()
        [report] = ask(url, "artifacts/filter", {"artifacts": {"key": {"any_": ["monthly-report"]}}})
        assert "October 2026" in report["data"]
    finally:
        process.send_signal(signal.SIGTERM)
        code = process.wait(60)
    assert code == 0, log.read_text()
    assert log.read_text().rstrip().endswith("The schedule has ended.")
    assert "Traceback" not in log.read_text().partition("SIGTERM received")[2]
    with pytest.raises(OSError):
        ask(url, "deployments/filter", {})


def test_the_server_s_end_is_not_silent(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    log = tmp_path / "said.txt"
    process, url = start(place.root, log)
    try:
        deployments_once_there(url)
        server = int((place.root / ".prefect" / "server.url").read_text().split()[1])
        subprocess.run(["kill", "-KILL", str(server)], check=True)
        assert process.wait(60) == 1
    finally:
        process.kill()
    assert "the Prefect server ended by itself" in log.read_text() and "server.log" in log.read_text()


@pytest.mark.parametrize("stop", [signal.SIGTERM, signal.SIGINT], ids=["SIGTERM", "Ctrl-C"])
def test_it_can_be_stopped_while_it_starts(stop: Any, tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    log = tmp_path / "said.txt"
    with log.open("wb") as said:
        process = subprocess.Popen([KITFARE, "schedule"], stdout=said, stderr=said, cwd=place.root)
    deadline = time.monotonic() + 60
    while "Starting" not in log.read_text():
        assert process.poll() is None and time.monotonic() < deadline
        time.sleep(0.05)
    time.sleep(1)
    process.send_signal(stop)
    assert process.wait(60) == 0, log.read_text()
    assert log.read_text().rstrip().endswith("The schedule has ended.") and "Traceback" not in log.read_text()
    assert running_server(place) is None
