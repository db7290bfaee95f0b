"""The workspace's own server: found when it is up, never believed when it is not, and gone when its parent is."""

import json
import os
import signal
import subprocess
import sys
import time
import urllib.request

import pytest

from pipelines.errors import BusyError, KitfareError
from pipelines.flows.scheduler import local_prefect
from pipelines.flows.scheduler.local_prefect import own_server, running_server, stay_local, use_server
from pipelines.settings import Workspace

LEAST_SETTINGS = '[[buyer]]\nbuyer_code = "home"\ntitle = "h"\nregion_code = "n"\ncurrency_code = "EUR"\n'
HOLD = (
    "import sys, time\n"
    "from pathlib import Path\n"
    "from pipelines.flows.scheduler.local_prefect import own_server\n"
    "from pipelines.settings import Workspace\n"
    "with own_server(Workspace(Path(sys.argv[1])), 'INFO'):\n"
    "    print('up', flush=True)\n"
    "    time.sleep(600)\n"
)


@pytest.fixture
def place(tmp_path, monkeypatch):
    # What the functions put into the environment must not reach other tests.
    monkeypatch.setattr(os, "environ", os.environ.copy())
    (tmp_path / "kitfare.toml").write_text(LEAST_SETTINGS)
    return Workspace(tmp_path)


def hold_server(place):
    """Another process with the workspace's server up."""
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(place.root)], stdout=subprocess.PIPE, text=True)
    assert holder.stdout.readline() == "up\n"
    return holder


def test_no_server_is_seen_where_none_was(place):
    assert running_server(place) is None


def test_an_address_left_behind_is_not_believed(place):
    (place.root / ".prefect").mkdir()
    (place.root / ".prefect" / "server.url").write_text("http://127.0.0.1:4200/api 1")
    assert running_server(place) is None


def test_settings_for_another_prefect_go(place):
    os.environ |= {"PREFECT_API_URL": "https://192.0.2.1/api", "PREFECT_API_KEY": "x", "NO_PROXY": "example.invalid"}
    stay_local(place, "INFO")
    assert "PREFECT_API_URL" not in os.environ and "PREFECT_API_KEY" not in os.environ
    assert os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false" and os.environ["DO_NOT_TRACK"] == "1"
    assert os.environ["PREFECT_HOME"] == str(place.root / ".prefect")
    assert os.environ["NO_PROXY"] == "example.invalid,127.0.0.1"


def test_a_server_that_does_not_come_up_is_reported(place, monkeypatch):
    monkeypatch.setattr(local_prefect.sys, "executable", "/bin/false")
    with pytest.raises(KitfareError, match="does not come up") as caught, own_server(place, "INFO"):
        pytest.fail("there is no server")
    assert caught.value.where.endswith("server.log") and "kitfare refresh" in caught.value.next_step


def test_a_server_that_never_answers_is_stopped(place, monkeypatch):
    monkeypatch.setattr(local_prefect, "START_TIMEOUT_SECONDS", 0.5)
    monkeypatch.setattr(local_prefect, "_answers", lambda url: False)
    began = time.monotonic()
    with pytest.raises(KitfareError, match="does not come up"), own_server(place, "INFO"):
        pytest.fail("it never answered")
    assert time.monotonic() - began < local_prefect.STOP_TIMEOUT_SECONDS
    assert running_server(place) is None


@pytest.mark.flows
@pytest.mark.slow
def test_one_server_for_a_workspace_that_ends_with_its_parent(place):
    holder = hold_server(place)
    try:
        url = running_server(place)
        assert url.startswith("http://127.0.0.1:") and local_prefect._answers(url)
        with pytest.raises(BusyError, match="already") as caught, own_server(place, "INFO"):
            pytest.fail("a second server came up")
        assert caught.value.where == url
        with use_server(place):
            assert os.environ["PREFECT_API_URL"] == url
        assert running_server(place) == url, "a server that is used is not stopped by its user"
    finally:
        holder.send_signal(signal.SIGKILL)
        holder.wait()
    deadline = time.monotonic() + 15
    while local_prefect._answers(url) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not local_prefect._answers(url), "the server outlived the process that needs it"
    while running_server(place) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert running_server(place) is None


DASHBOARD = "<title>Prefect Server</title>"


def ask(url):
    with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(url, timeout=10) as answer:
        return answer.read().decode()


@pytest.mark.flows
@pytest.mark.slow
def test_the_dashboard_is_off_until_it_is_asked_for(place):
    with own_server(place, "INFO"):
        root = os.environ["PREFECT_API_URL"].removesuffix("/api")
        assert DASHBOARD not in ask(f"{root}/")
    assert not (place.root / ".prefect" / "dashboard").exists()
    with (place.root / "kitfare.toml").open("a") as settings:
        settings.write("[prefect]\ndashboard = true\n")
    with own_server(place, "INFO"):
        root = os.environ["PREFECT_API_URL"].removesuffix("/api")
        assert DASHBOARD in ask(f"{root}/")
        settings = json.loads(ask(f"{root}/api/admin/settings"))["server"]
    assert settings["analytics_enabled"] is False and settings["ui"]["show_promotional_content"] is False
    assert (place.root / ".prefect" / "dashboard").is_dir(), (
        "its files are the workspace's, not the installed package's"
    )
