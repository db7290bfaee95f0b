"""The workspace's own server: found while it runs, never believed when it does not, and gone when its parent is."""

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import KitfareError
from pipelines.flows.scheduler import local_prefect
from pipelines.flows.scheduler.local_prefect import own_server, running_server, stay_local
from pipelines.flows.scheduler.server_record import NAME, private_home
from pipelines.workspace import Workspace
from tests.present import present

LEAST_SETTINGS = '[[buyer]]\nbuyer_code = "home"\ntitle = "h"\nregion_code = "n"\ncurrency_code = "EUR"\n'
HOLD = (
    "import sys, time\n"
    "from pathlib import Path\n"
    "from pipelines.flows.scheduler.local_prefect import own_server\n"
    "from pipelines.workspace import Workspace\n"
    "with own_server(Workspace(Path(sys.argv[1])), 'INFO'):\n"
    "    print('up', flush=True)\n"
    "    time.sleep(600)\n"
)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    # What the functions put into the environment must not reach other tests.
    monkeypatch.setattr(os, "environ", os.environ.copy())
    (tmp_path / "kitfare.toml").write_text(LEAST_SETTINGS)
    return Workspace(tmp_path)


def hold_server(place: Any) -> Any:
    """Another process that runs the workspace's server."""
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(place.root)], stdout=subprocess.PIPE, text=True)
    assert present(holder.stdout).readline() == "up\n"
    return holder


def test_no_server_is_seen_where_none_was(place: Any) -> None:
    assert running_server(place) is None


def test_an_address_left_behind_is_not_believed(place: Any) -> None:
    left = private_home(place) / NAME
    left.write_text('{"url": "http://127.0.0.1:4200/api", "secret": "a:b", "process_id": 1}')
    left.chmod(0o600)
    assert running_server(place) is None


def test_settings_for_another_prefect_go(place: Any) -> None:
    os.environ |= {"PREFECT_API_URL": "https://192.0.2.1/api", "PREFECT_API_KEY": "x", "NO_PROXY": "example.invalid"}
    stay_local(place, "INFO")
    assert "PREFECT_API_URL" not in os.environ and "PREFECT_API_KEY" not in os.environ
    assert os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false" and os.environ["DO_NOT_TRACK"] == "1"
    assert os.environ["PREFECT_HOME"] == str(place.root / ".prefect")
    assert os.environ["NO_PROXY"] == "example.invalid,127.0.0.1"


def test_a_server_that_does_not_come_up_is_reported(place: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(KitfareError, match="does not start") as caught, own_server(place, "INFO"):
        pytest.fail("there is no server")
    assert caught.value.where.endswith("server.log") and "kitfare refresh" in caught.value.next_step


def test_a_server_that_never_answers_is_stopped(place: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_prefect, "START_TIMEOUT_SECONDS", 0.5)
    monkeypatch.setattr(local_prefect, "_answers", lambda record: False)
    began = time.monotonic()
    with pytest.raises(KitfareError, match="does not start"), own_server(place, "INFO"):
        pytest.fail("it never answered")
    assert time.monotonic() - began < local_prefect.STOP_TIMEOUT_SECONDS
    assert running_server(place) is None
