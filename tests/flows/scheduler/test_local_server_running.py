"""The local Prefect server, started."""

import json
import os
import signal
import time
import urllib.error
import urllib.request
from base64 import b64encode
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import BusyError
from pipelines.flows.scheduler import local_prefect
from pipelines.flows.scheduler.local_prefect import own_server, running_server, use_server
from pipelines.flows.scheduler.server_record import read_record
from pipelines.workspace import Workspace
from tests.flows.scheduler.test_local_server import LEAST_SETTINGS, hold_server
from tests.present import present


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    # What the functions put into the environment must not reach other tests.
    monkeypatch.setattr(os, "environ", os.environ.copy())
    (tmp_path / "kitfare.toml").write_text(LEAST_SETTINGS)
    return Workspace(tmp_path)


def test_one_server_for_a_workspace_that_ends_with_its_parent(place: Any) -> None:
    holder = hold_server(place)
    try:
        record = present(read_record(place)[1])
        url = record.url
        assert url.startswith("http://127.0.0.1:") and local_prefect._answers(record)
        with pytest.raises(BusyError, match="already") as caught, own_server(place, "INFO"):
            pytest.fail("a second server came up")
        assert caught.value.where == url
        with use_server(place):
            assert os.environ["PREFECT_API_URL"] == url and os.environ["PREFECT_API_AUTH_STRING"] == record.secret
        assert running_server(place) == url, "a server that is used is not stopped by its user"
    finally:
        holder.send_signal(signal.SIGKILL)
        holder.communicate()
    deadline = time.monotonic() + 15
    while local_prefect._answers(record) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not local_prefect._answers(record), "the server outlived the process that needs it"
    while running_server(place) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert running_server(place) is None


DASHBOARD = "<title>Prefect Server</title>"


def ask(url: str, login: str = "") -> str:
    """The text at an address; for one that is refused the status."""
    request = urllib.request.Request(url, headers={"Authorization": login} if login else {})
    try:
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=30) as answer:
            return str(answer.read().decode())
    except urllib.error.HTTPError as error:
        with error:
            return str(error.code)


def login(place: Workspace) -> str:
    return "Basic " + b64encode(present(read_record(place)[1]).secret.encode()).decode()


def test_the_dashboard_is_off_until_it_is_asked_for(place: Workspace) -> None:
    with own_server(place, "INFO"):
        root = os.environ["PREFECT_API_URL"].removesuffix("/api")
        assert ask(f"{root}/") == "401"
        assert DASHBOARD not in ask(f"{root}/", login(place))
        before = login(place)
    assert not (place.root / ".prefect" / "dashboard").exists()
    with (place.root / "kitfare.toml").open("a") as file:
        file.write("[prefect]\ndashboard = true\n")
    with own_server(place, "INFO"):
        root = os.environ["PREFECT_API_URL"].removesuffix("/api")
        assert DASHBOARD in ask(f"{root}/")
        assert json.loads(ask(f"{root}/ui-settings"))["auth"] == "BASIC", "its pages ask for the secret"
        assert ask(f"{root}/api/admin/settings") == ask(f"{root}/api/admin/settings", before) == "401"
        assert login(place) != before, "each server has a secret of its own"
        settings = json.loads(ask(f"{root}/api/admin/settings", login(place)))["server"]
    assert settings["analytics_enabled"] is False and settings["ui"]["show_promotional_content"] is False
    assert (place.root / ".prefect" / "dashboard").is_dir(), (
        "its files are the workspace's, not the installed package's"
    )
