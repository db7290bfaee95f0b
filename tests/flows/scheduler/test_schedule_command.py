"""``kitfare schedule`` from start to stop, with a refresh and the monthly flow while it runs."""

import os
import signal
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.scheduler.local_prefect import running_server
from pipelines.flows.scheduler.server_record import ServerRecord
from tests.builders.strangers import KITFARE, as_owner, deployments, end_of_run, running_schedule
from tests.builders.workspaces import make_workspace


def kitfare(*arguments: Any, cwd: Any) -> Any:
    return subprocess.run([KITFARE, *arguments], capture_output=True, text=True, timeout=240, cwd=cwd)


def run_of(record: ServerRecord, deployment: Any, parameters: Any) -> str:
    """Run a deployment now; returns the state in which it ends."""
    asked = {"state": {"type": "SCHEDULED"}, "parameters": parameters}
    run = as_owner(record, "POST", f"deployments/{deployment['id']}/create_flow_run", asked)
    return end_of_run(record, run["id"])


def test_from_start_to_stop(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    log = tmp_path / "said.txt"
    with running_schedule(place, log) as (process, record):
        url = record.url
        assert f"Server: {url}" in log.read_text()
        assert "Refresh every night at 02:30 Europe/Warsaw" in log.read_text()
        served = deployments(record)
        assert set(served) == {"nightly_refresh", "monthly_report"}
        lines = {name: deployment["schedules"][0]["schedule"] for name, deployment in served.items()}
        assert (lines["nightly_refresh"]["cron"], lines["monthly_report"]["cron"]) == ("30 2 2-31 * *", "30 2 1 * *")
        assert {line["timezone"] for line in lines.values()} == {"Europe/Warsaw"}

        second = kitfare("schedule", cwd=place.root)
        assert second.returncode == 4 and url in second.stderr
        assert url in kitfare("status", cwd=place.root).stdout

        refreshed = kitfare("refresh", cwd=place.root)
        assert refreshed.returncode == 0, refreshed.stderr
        [by_hand] = as_owner(
            record, "POST", "flow_runs/filter", {"flow_runs": {"state": {"type": {"any_": ["COMPLETED"]}}}}
        )
        assert as_owner(record, "POST", "task_runs/count", {"flow_runs": {"id": {"any_": [by_hand["id"]]}}}) > 5

        assert run_of(record, served["monthly_report"], {"month": "2020-01"}) == "FAILED"
        assert "there is no report of 2020-01" in log.read_text()
        assert run_of(record, served["monthly_report"], {"month": "2026-10"}) == "COMPLETED", log.read_text()
        [report] = as_owner(record, "POST", "artifacts/filter", {"artifacts": {"key": {"any_": ["monthly-report"]}}})
        assert "October 2026" in report["data"]
        process.send_signal(signal.SIGTERM)
        code = process.wait(60)
    assert code == 0, log.read_text()
    assert log.read_text().rstrip().endswith("The schedule has ended.")
    assert "Traceback" not in log.read_text().partition("SIGTERM received")[2]
    with pytest.raises(OSError):
        as_owner(record, "POST", "deployments/filter", {})


def test_the_server_s_end_is_not_silent(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    log = tmp_path / "said.txt"
    with running_schedule(place, log) as (process, record):
        deployments(record)
        os.kill(record.process_id, signal.SIGKILL)
        assert process.wait(60) == 1
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
