"""Prefect kept at home: its files in the workspace, its server on the loopback address, nothing sent anywhere.

Call these before Prefect is imported: it reads its settings from the environment once.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipelines.errors import BusyError, KitfareError
from pipelines.flows.file_lock import take_lock
from pipelines.flows.scheduler.prefect_server import ALREADY_RUNNING, LOOPBACK
from pipelines.workspace import Workspace

START_TIMEOUT_SECONDS = 300
STOP_TIMEOUT_SECONDS = 15

SERVED_WORKSPACE = "KITFARE_WORKSPACE"
"""The environment's name for the workspace whose flows a process serves."""

QUIET = {
    # Both are needed: the server reads only the first, the library only the second.
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "DO_NOT_TRACK": "1",
}
_AT_HOME = {
    **QUIET,
    "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": str(START_TIMEOUT_SECONDS),
    "PREFECT_SERVER_LOGGING_LEVEL": "WARNING",
    # Records of runs are dropped after 90 days; the tables of a generation keep their own.
    "PREFECT_SERVER_SERVICES_DB_VACUUM_ENABLED": "events,flow_runs",
    "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
}


def prefect_home(workspace: Workspace) -> Path:
    """The folder of everything Prefect writes."""
    return workspace.root.resolve() / ".prefect"


def stay_local(workspace: Workspace, console_level: str) -> None:
    """Set the environment for Prefect and for processes it starts; the user's settings for another Prefect are removed from it.

    Args:
        workspace: the user's folder.
        console_level: lowest level of Prefect's own messages on the terminal. Its record of a run has them all.
    """
    for name in [name for name in os.environ if name.startswith("PREFECT_")]:
        del os.environ[name]
    home = prefect_home(workspace)
    home.mkdir(exist_ok=True)
    os.environ |= _AT_HOME | {
        "PREFECT_HOME": str(home),
        "PREFECT_LOGGING_HANDLERS_CONSOLE_LEVEL": console_level,
        # Off by default; the setting's text states what its pages load from outside.
        "PREFECT_SERVER_UI_ENABLED": "true" if workspace.settings().prefect.dashboard else "false",
        "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
        # Its files are copied here before they are served; Prefect's own place is among the installed packages.
        "PREFECT_SERVER_UI_STATIC_DIRECTORY": str(home / "dashboard"),
    }
    # A proxy of the user's must not see what goes to our own server.
    for name in ("NO_PROXY", "no_proxy"):
        os.environ[name] = ",".join(filter(None, (os.environ.get(name), LOOPBACK)))


def running_server(workspace: Workspace) -> str | None:
    """The address of the workspace's server if one runs; its lock shows that, even after a power cut."""
    url, _ = _locked_address(workspace)
    return url


def _locked_address(workspace: Workspace) -> tuple[str | None, int]:
    """The address and process id of the server that has the lock."""
    try:
        handle = os.open(prefect_home(workspace) / "server.url", os.O_RDONLY)
    except FileNotFoundError:
        return None, 0
    try:
        if take_lock(handle, is_shared=True):
            return None, 0
        url, _, process_id = os.read(handle, 200).decode().partition(" ")
        return (url, int(process_id)) if process_id else (None, 0)
    finally:
        os.close(handle)


@contextmanager
def use_server(workspace: Workspace, console_level: str = "CRITICAL") -> Iterator[None]:
    """Let flows use the workspace's server: the one that runs, or a new one that runs as long as the block."""
    url = running_server(workspace)
    if url is None:
        with own_server(workspace, console_level):
            yield
    else:
        stay_local(workspace, console_level)
        os.environ["PREFECT_API_URL"] = url
        yield


@contextmanager
def own_server(workspace: Workspace, console_level: str) -> Iterator[subprocess.Popen[bytes]]:
    """Start the workspace's server, wait until it answers, and stop it at the end, whatever happens.

    Raises:
        BusyError: the workspace has a server already.
        KitfareError: it does not start.
    """
    if running_server(workspace):
        raise _server_runs_already(workspace)
    stay_local(workspace, console_level)
    home = prefect_home(workspace)
    with (home / "server.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "pipelines.flows.scheduler.prefect_server", str(home)],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=subprocess.STDOUT,
            cwd=home,
            env=dict(os.environ),
            # Ctrl-C is for us; the server must run until the flow has recorded there how it ended.
            start_new_session=True,
        )
    try:
        os.environ["PREFECT_API_URL"] = _wait_until_healthy(workspace, process)
        yield process
    finally:
        _stop(process)


def _wait_until_healthy(workspace: Workspace, process: subprocess.Popen[bytes]) -> str:
    log = prefect_home(workspace) / "server.log"
    deadline = time.monotonic() + START_TIMEOUT_SECONDS
    while time.monotonic() < deadline:
        if process.poll() == ALREADY_RUNNING:
            raise _server_runs_already(workspace)
        if process.poll() is not None:
            break
        url, process_id = _locked_address(workspace)
        if url and process_id == process.pid and _answers(url):
            return url
        time.sleep(0.1)
    last_lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    raise KitfareError(
        "the Prefect server does not start" + (f": {last_lines[-1]}" if last_lines else ""),
        where=str(log),
        next_step="`kitfare refresh` works without it",
    )


def _server_runs_already(workspace: Workspace) -> BusyError:
    return BusyError(
        "the workspace's Prefect server runs already",
        where=running_server(workspace) or str(prefect_home(workspace)),
        next_step="stop the schedule or refresh that runs it (Ctrl-C there), or wait for it to end",
    )


def _answers(url: str) -> bool:
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with direct.open(f"{url}/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False


def _stop(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    with suppress(OSError):
        process.stdin.close()
    try:
        process.wait(STOP_TIMEOUT_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
