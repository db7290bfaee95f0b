"""Refreshes in processes of their own, which can be killed, and what they leave behind."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from tests.attacks.killed_refresh import Order, run, to_json

PRELOADED = ["tests.attacks.killed_refresh", "pipelines.cli.main", "pipelines.flows.refresh", "tests.attacks.readers"]
ROOT = Path(__file__).resolve().parents[2]
MARK = "KITFARE_ATTACKED"
"""In the environment of each program and of all that it starts."""
LONGEST_RUN = 1800
"""Seconds after which a refresh that does not end counts as stuck."""

_TIME_TO_LEAVE = 30


def forkserver() -> Any:
    """Starts processes from one that has imported everything and done nothing: a refresh begins at once."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOADED)
    return context


class Run:
    """A refresh that runs. With Prefect it is a program of its own: Prefect reads its settings when it is imported."""

    def __init__(self, processes: Any, order: Order, *, is_program: bool) -> None:
        self.began = time.monotonic()
        if is_program:
            command = [sys.executable, "-m", "tests.attacks.killed_refresh", to_json(order)]
            environment = {**os.environ, MARK: order.root}
            self.program = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, env=environment)
            self.pid = self.program.pid
        else:
            self.process = processes.Process(target=run, args=(order,))
            self.process.start()
            self.pid = self.process.pid
        self.is_program = is_program

    def end(self, seconds: float) -> int | None:
        """Wait for its exit code, which is negative for a signal; None if it still runs."""
        if self.is_program:
            try:
                return self.program.wait(seconds)
            except subprocess.TimeoutExpired:
                return None
        self.process.join(seconds)
        code: int | None = self.process.exitcode
        return code

    def kill_after(self, seconds: float) -> bool:
        """Kill it so many seconds after its start; False if it ended before."""
        if self.end(max(0.0, self.began + seconds - time.monotonic())) is None:
            os.kill(self.pid, signal.SIGKILL)
        return self.end(LONGEST_RUN) == -signal.SIGKILL


def processes_of(root: Path) -> list[int]:
    """Processes that were started to refresh the workspace, and what they started; Linux only."""
    mark = os.fsencode(f"{MARK}={root}")
    found = []
    for entry in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if mark in (entry / "environ").read_bytes().split(b"\0"):
                found.append(int(entry.name))
    return found


def left_behind(root: Path) -> list[str]:
    """Wait until no process of the folder runs; those that stay are ended, and named."""
    deadline = time.monotonic() + _TIME_TO_LEAVE
    while (stay := processes_of(root)) and time.monotonic() < deadline:
        time.sleep(0.2)
    for pid in stay:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    return [f"{len(stay)} processes still ran {_TIME_TO_LEAVE} s after the last refresh"] if stay else []
