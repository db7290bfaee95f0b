"""Prefect kept at home: its files in the workspace, its server on the loopback address, nothing sent anywhere.

Call these before Prefect is imported: it reads its settings from the environment once.
"""

from __future__ import annotations

import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from base64 import b64encode
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from pipelines.errors import KitfareError
from pipelines.flows.scheduler.server_record import (
    ServerRecord,
    locked_record,
    prefect_home,
    private_home,
    read_record,
)
from pipelines.workspace import Workspace

LOOPBACK = "127.0.0.1"

START_TIMEOUT_SECONDS = 300
STOP_TIMEOUT_SECONDS = 15
GRACE_SECONDS = 5
LOOK_SECONDS = 0.5
"""How often a refresh looks whether its server is still there."""

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


def stay_local(workspace: Workspace, console_level: str) -> None:
    """Set the environment for Prefect and for processes it starts; the user's settings for another Prefect are removed from it.

    Args:
        workspace: the user's folder.
        console_level: lowest level of Prefect's own messages on the terminal. Its record of a run has them all.
    """
    for name in [name for name in os.environ if name.startswith("PREFECT_")]:
        del os.environ[name]
    home = private_home(workspace)
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
    """The address of the workspace's server if one runs."""
    _, record = read_record(workspace)
    return record.url if record else None


@contextmanager
def use_server(workspace: Workspace, console_level: str = "CRITICAL") -> Iterator[None]:
    """Let flows use the workspace's server: the one that runs, or a new one that runs as long as the block.

    One that starts is waited for; so is the end of a process whose server is gone.

    Raises:
        BusyError: another process has a server that does not answer.
        KitfareError: a server does not start, or ends within the block.
    """
    record = _server_that_answers(workspace)
    if record is None:
        with (
            own_server(workspace, console_level) as process,
            _interrupted_when(lambda: process.poll() is not None, workspace),
        ):
            yield
    else:
        stay_local(workspace, console_level)
        _log_in(record)
        with _interrupted_when(lambda: read_record(workspace)[1] != record, workspace):
            yield


def _server_that_answers(workspace: Workspace) -> ServerRecord | None:
    """The server to use; None once no other process has one, or one that never answers."""
    deadline = time.monotonic() + START_TIMEOUT_SECONDS
    while time.monotonic() < deadline:
        is_taken, record = read_record(workspace)
        if record and _answers(record):
            return record
        if not is_taken:
            break
        time.sleep(0.1)
    return None


@contextmanager
def own_server(workspace: Workspace, console_level: str) -> Iterator[subprocess.Popen[bytes]]:
    """Start the workspace's server, wait until it answers, and stop it at the end, whatever happens.

    Raises:
        BusyError: the workspace has a server already.
        KitfareError: it does not start.
    """
    with locked_record(workspace) as publish:
        stay_local(workspace, console_level)
        home = prefect_home(workspace)
        secret = f"kitfare:{secrets.token_urlsafe(32)}"
        with socket.create_server((LOOPBACK, 0)) as listening, (home / "server.log").open("wb") as log:
            url = f"http://{LOOPBACK}:{listening.getsockname()[1]}/api"
            process = subprocess.Popen(
                [sys.executable, "-m", "pipelines.flows.scheduler.prefect_server", str(home), str(listening.fileno())],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=subprocess.STDOUT,
                cwd=home,
                # Others can read a process's command line, but not its environment.
                env={**os.environ, "PREFECT_SERVER_API_AUTH_STRING": secret},
                pass_fds=(listening.fileno(),),
                # Ctrl-C is for us; the server must run until the flow has recorded there how it ended.
                start_new_session=True,
            )
        try:
            record = ServerRecord(url, secret, process.pid)
            _wait_until_healthy(home / "server.log", process, record)
            publish(record)
            _log_in(record)
            yield process
        finally:
            _stop(process)


def _log_in(record: ServerRecord) -> None:
    """Where Prefect's client, and those of processes started later, find the server."""
    os.environ |= {"PREFECT_API_URL": record.url, "PREFECT_API_AUTH_STRING": record.secret}


def _wait_until_healthy(log: Path, process: subprocess.Popen[bytes], record: ServerRecord) -> None:
    deadline = time.monotonic() + START_TIMEOUT_SECONDS
    while time.monotonic() < deadline and process.poll() is None:
        if _answers(record):
            return
        time.sleep(0.1)
    last_lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    raise KitfareError(
        "the Prefect server does not start" + (f": {last_lines[-1]}" if last_lines else ""),
        where=str(log),
        next_step="`kitfare refresh` works without it",
    )


def _answers(record: ServerRecord) -> bool:
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    login = "Basic " + b64encode(record.secret.encode()).decode()
    try:
        with direct.open(
            urllib.request.Request(f"{record.url}/health", headers={"Authorization": login}), timeout=2
        ) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False


@contextmanager
def _interrupted_when(is_gone: Callable[[], bool], workspace: Workspace) -> Iterator[None]:
    """End what runs in the block once the server is gone: Prefect would ask for it again and again, for minutes.

    Raises:
        KitfareError: the server went.
    """
    gone, done = threading.Event(), threading.Event()
    error = server_ended(workspace, "what was published stays", "run `kitfare refresh` again")

    def watch() -> None:
        while not done.wait(LOOK_SECONDS):
            if is_gone():
                gone.set()
                signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
                time.sleep(GRACE_SECONDS)
                # Prefect still asks, in the block or at the end of the program. A kill at any moment is safe.
                if not done.is_set():
                    print(error, file=sys.stderr, flush=True)
                os._exit(error.exit_code)

    threading.Thread(target=watch, daemon=True).start()
    try:
        yield
    except BaseException:
        if gone.is_set() or is_gone():
            raise error from None
        raise
    finally:
        done.set()


def server_ended(workspace: Workspace, state: str, next_step: str) -> KitfareError:
    """The error when a server that is in use ends."""
    log = prefect_home(workspace) / "server.log"
    return KitfareError("the Prefect server ended by itself", where=str(log), state=state, next_step=next_step)


def _stop(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    process.terminate()
    try:
        process.wait(STOP_TIMEOUT_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    process.stdin.close()
