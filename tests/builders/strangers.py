"""Another user of the machine, and what a running schedule shows to one."""

import json
import os
import re
import subprocess
import sys
import time
import urllib.error
import urllib.request
from base64 import b64encode
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.scheduler.server_record import ServerRecord, read_record
from pipelines.workspace import Workspace
from tests.builders.programs import stranger
from tests.present import present

NOBODY = 65534
KITFARE = str(Path(sys.executable).with_name("kitfare"))


def as_nobody(given: dict[str, Any]) -> dict[str, Any]:
    """What another user gets by all that ``programs/stranger.py`` tries; skips where there can be no other user."""
    if os.geteuid() != 0:
        pytest.skip("only root can take the place of another user")
    text = Path(stranger.__file__).read_text(encoding="utf-8")
    for python in (sys.executable, "/usr/bin/python3", "/usr/local/bin/python3"):
        try:
            result = subprocess.run(
                [python, "-I", "-c", text], input=json.dumps(given), capture_output=True, text=True, timeout=300,
                cwd="/", env={}, user=NOBODY, group=NOBODY, extra_groups=[], check=False,
            )  # fmt: skip
        except PermissionError:
            continue
        if result.returncode == 0:
            return dict(json.loads(result.stdout))
        assert "Traceback" not in result.stderr, result.stderr
    pytest.skip("no Python here that another user may run")


def as_owner(record: ServerRecord, method: str, path: str, body: object = None) -> Any:
    """The server's answer to the one who has the secret; asked again while its data base is busy, as Prefect's clients do."""
    data = None if body is None else json.dumps(body).encode()
    login = "Basic " + b64encode(record.secret.encode()).decode()
    headers = {"content-type": "application/json", "authorization": login}
    request = urllib.request.Request(f"{record.url}/{path}", data, headers, method=method)
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    for seconds in (1, 2, 4, 8, 0):
        try:
            with opener.open(request, timeout=60) as answer:
                text = answer.read()
            return json.loads(text) if text else None
        except urllib.error.HTTPError as error:
            with error:
                if error.code != 503 or not seconds:
                    raise
            time.sleep(seconds)
    raise AssertionError("never comes here")


@contextmanager
def running_schedule(place: Workspace, log: Path) -> Iterator[tuple[subprocess.Popen[bytes], ServerRecord]]:
    """``kitfare schedule``, once it polls for runs; killed at the end if it still runs."""
    with log.open("wb") as said:
        process = subprocess.Popen(
            [KITFARE, "schedule", "--at", "02:30", "--time-zone", "Europe/Warsaw"],
            stdout=said, stderr=said, cwd=place.root,
        )  # fmt: skip
    try:
        deadline = time.monotonic() + 300
        while "Ctrl-C ends it" not in log.read_text():
            assert process.poll() is None and time.monotonic() < deadline, log.read_text()
            time.sleep(0.1)
        yield process, present(read_record(place)[1])
    finally:
        process.kill()
        process.wait()


def deployments(record: ServerRecord) -> dict[str, Any]:
    """The two deployments of a schedule by the name of their function, once both are there."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        found = as_owner(record, "POST", "deployments/filter", {})
        if len(found) == 2:
            return {deployment["entrypoint"].rpartition(".")[2]: deployment for deployment in found}
        time.sleep(0.5)
    raise AssertionError("the deployments are not registered")


def end_of_run(record: ServerRecord, run_id: str, seconds: int = 180) -> str:
    """The state in which a run ends."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        [now] = as_owner(record, "POST", "flow_runs/filter", {"flow_runs": {"id": {"any_": [run_id]}}})
        if now["state_type"] in ("COMPLETED", "FAILED", "CRASHED", "CANCELLED"):
            return str(now["state_type"])
        time.sleep(1)
    return "STILL RUNNING"


def family(process_id: int) -> list[int]:
    """A process and all that it started, by what Linux shows in /proc."""
    parents = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parents[int(folder.name)] = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:  # ended meanwhile
            continue
    found = [process_id]
    for one in found:
        found += [child for child, parent in parents.items() if parent == one]
    return found


def listening(process_ids: list[int]) -> set[tuple[str, int]]:
    """The addresses and ports on which these processes listen, by what Linux shows in /proc."""
    sockets = set()
    for process_id in process_ids:
        for link in Path(f"/proc/{process_id}/fd").iterdir():
            try:
                sockets |= set(re.findall(r"socket:\[(\d+)\]", str(link.readlink())))
            except OSError:
                continue
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == "0A" and fields[9] in sockets:
                address, _, port = fields[1].partition(":")
                found.add((address, int(port, 16)))
    return found
