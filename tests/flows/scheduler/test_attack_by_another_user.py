"""Another user of the machine and the Prefect server of a schedule: nothing is answered, nothing can be read, nothing runs."""

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest

from pipelines.flows.scheduler.server_record import NAME, ServerRecord, prefect_home
from pipelines.workspace import Workspace
from tests.builders.programs.stranger import SOCKETS
from tests.builders.strangers import (
    as_nobody,
    as_owner,
    deployments,
    end_of_run,
    family,
    listening,
    running_schedule,
)
from tests.builders.workspaces import make_workspace

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc, which Linux has")
LOOPBACK = "0100007F"
"""127.0.0.1 as /proc writes it."""
OPEN_ELSEWHERE = [
    ["GET", "/"], ["GET", "/docs"], ["GET", "/openapi.json"], ["GET", "/ui-settings"], ["GET", "/api/docs"],
    ["GET", "/api/openapi.json"], ["GET", "/api/health"], ["GET", "/api/ready"], ["GET", "/api/version"],
    ["GET", "//api/health"], ["GET", "/api/variables/name/health"], ["OPTIONS", "/api/flows/filter"],
]  # fmt: skip
"""Addresses that a Prefect server leaves open, or that were open in some version."""


@pytest.fixture(scope="module")
def place() -> Iterator[Workspace]:
    """A workspace that others can reach and read; only its own modes keep them out of what is not theirs."""
    with TemporaryDirectory(prefix="kitfare-attacked-") as folder:
        Path(folder).chmod(0o755)
        yield make_workspace(Path(folder) / "space")


@pytest.fixture(scope="module")
def schedule(place: Workspace) -> Iterator[tuple[int, ServerRecord, dict[str, Any]]]:
    with running_schedule(place, place.root.parent / "said.txt") as (process, record):
        yield process.pid, record, deployments(record)


def routes(record: ServerRecord, deployment: str) -> list[list[str]]:
    """Every method and path that the server itself lists, with a real deployment for every name in a path."""
    listed = as_owner(record, "GET", "openapi.json")["paths"]
    found = [
        [method.upper(), "/api" + "/".join(deployment if "{" in part else part for part in path.split("/"))]
        for path, methods in listed.items()
        for method in methods
    ]
    assert len(found) > 150
    return found


def test_no_address_answers_and_no_websocket_opens(schedule: tuple[int, ServerRecord, dict[str, Any]]) -> None:
    _, record, served = schedule
    tried = routes(record, served["nightly_refresh"]["id"]) + OPEN_ELSEWHERE
    given = {"port": int(record.url.split(":")[2].split("/")[0]), "routes": tried, "files": [], "other_ports": []}
    for secret in ("", "kitfare:", record.secret[:-1]):
        found = as_nobody({**given, "secret": secret})
        assert found["user"] == 65534
        assert set(found["statuses"].values()) == {401} and set(found["bodies"].values()) == {""}
        assert found["logged_in"] == []
    # The same steps with the secret: all that was refused above would have worked.
    known = [["GET", "/api/health"], ["POST", "/api/deployments/filter"]]
    found = as_nobody({**given, "routes": known, "secret": record.secret})
    assert set(found["statuses"].values()) == {200} and '"name":"kitfare"' in "".join(found["bodies"].values())
    assert len(found["logged_in"]) == len(SOCKETS)
    left = as_owner(record, "POST", "deployments/filter", {})
    assert sorted(one["id"] for one in left) == sorted(one["id"] for one in served.values()), "nothing was removed"


def test_the_secret_cannot_be_read(place: Workspace, schedule: tuple[int, ServerRecord, dict[str, Any]]) -> None:
    process_id, record, _ = schedule
    home = prefect_home(place)
    processes = family(process_id)
    assert record.process_id in processes
    files = [str(home / name) for name in (NAME, "server.log", "prefect.db", "prefect.db-wal", "server.lock")]
    assert all(Path(file).exists() for file in files)
    environments = [f"/proc/{one}/environ" for one in processes]
    port = int(record.url.split(":")[2].split("/")[0])
    given: dict[str, Any] = {"port": port, "routes": [], "other_ports": [], "secret": ""}
    found = as_nobody({**given, "files": [*files, *environments, str(home), str(place.root / "kitfare.toml")]})
    assert found["readable"] == [str(place.root / "kitfare.toml")], "this one shows that the others could be reached"
    for one in processes:
        assert record.secret.partition(":")[2] not in Path(f"/proc/{one}/cmdline").read_text(errors="replace")
    said = (place.root.parent / "said.txt").read_text() + (home / "server.log").read_text()
    assert record.secret.partition(":")[2] not in said
    assert (home / NAME).stat().st_mode & 0o777 == 0o600 and home.stat().st_mode & 0o777 == 0o700
    shown = json.dumps(as_owner(record, "GET", "admin/settings"))
    assert record.secret.partition(":")[2] not in shown and '"auth_string"' in shown


def test_every_open_port_is_on_this_machine_and_silent(
    schedule: tuple[int, ServerRecord, dict[str, Any]],
) -> None:
    process_id, record, _ = schedule
    ports = listening(family(process_id))
    port = int(record.url.split(":")[2].split("/")[0])
    assert (LOOPBACK, port) in ports and {address for address, _ in ports} == {LOOPBACK}
    others = sorted(other for _, other in ports if other != port)
    given: dict[str, Any] = {"port": port, "routes": [], "files": [], "secret": ""}
    assert set(as_nobody({**given, "other_ports": others})["heard"].values()) <= {""}


def test_a_changed_deployment_runs_the_schedule_s_own_function(
    place: Workspace, schedule: tuple[int, ServerRecord, dict[str, Any]], tmp_path: Path
) -> None:
    """Even with the secret: what runs, and in which workspace, is not the server's to say."""
    _, record, served = schedule
    trace = tmp_path / "ran"
    (tmp_path / "other.py").write_text(
        f"from pathlib import Path\nPath({str(trace)!r}).write_text('imported')\n"
        "from prefect import flow\n@flow(name='nightly-refresh')\ndef other(): pass\n"
    )
    elsewhere = make_workspace(tmp_path / "elsewhere")
    variables = {"env": {"KITFARE_WORKSPACE": str(elsewhere.root)}, "command": f"touch {trace}", "working_dir": "/"}
    deployment = served["nightly_refresh"]["id"]
    as_owner(
        record, "PATCH", f"deployments/{deployment}",
        {"entrypoint": f"{tmp_path}/other.py:other", "path": str(tmp_path), "job_variables": variables},
    )  # fmt: skip
    asked = {"state": {"type": "SCHEDULED"}, "job_variables": variables}
    run = as_owner(record, "POST", f"deployments/{deployment}/create_flow_run", asked)
    assert end_of_run(record, run["id"]) == "COMPLETED", (place.root.parent / "said.txt").read_text()
    assert not trace.exists() and not elsewhere.published.exists()
    assert (place.database).is_file()
