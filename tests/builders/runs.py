"""Workspaces that have no more than a kitfare.toml and records of refreshes, and a refresh whose messages were shown."""

import json
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from pipelines.flows.recorded import Report, recorded
from pipelines.flows.refresh import RefreshOutcome, refresh
from pipelines.flows.runs import run_record
from pipelines.flows.runs.run_record import Run
from pipelines.workspace import Workspace

BUYER = '[[buyer]]\nbuyer_code = "home"\ntitle = "h"\nregion_code = "n"\ncurrency_code = "EUR"\n'


def bare_workspace(folder: Path, settings: str = "") -> Workspace:
    """A workspace with a buyer; settings before the buyer would belong to no table."""
    (folder / "kitfare.toml").write_text(BUYER + settings, encoding="utf-8")
    return Workspace(folder)


def program(body: str) -> str:
    """A command that runs Python, as a line of [[notify]]."""
    return f"command = {json.dumps([sys.executable, '-c', body])}\n"


NOTE_DOWN = "import sys; open('heard.jsonl', 'a').write(' '.join(sys.stdin.read().split()) + chr(10))"
"""Python that adds what it gets on standard input to heard.jsonl, a line each."""


def heard(workspace: Workspace) -> list[dict[str, Any]]:
    """What that program was given."""
    path = workspace.root / "heard.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def one_run(workspace: Workspace, *, error: BaseException | None = None, is_attended: bool = False) -> Run:
    """A refresh that does nothing, or raises an error, and its record."""
    reports: list[Report] = []
    try:
        with recorded(workspace, run_record.utc_now(), is_attended=is_attended) as report:
            reports.append(report)
            if error is not None:
                raise error
    except BaseException as raised:
        if raised is not error:
            raise
    run = run_record.read(workspace, reports[0].run.run_number)
    assert run is not None
    return run


def rewritten(workspace: Workspace, run: Run, **fields: Any) -> None:
    """Change a record as no command would: its times, or its outcome as a kill leaves it."""
    path = run_record.place_of(workspace, run.run_number)
    texts = {name: value.isoformat() if isinstance(value, datetime) else value for name, value in fields.items()}
    path.write_text(json.dumps({**json.loads(path.read_text()), **texts}))


def aged(workspace: Workspace, run: Run, **age: float) -> None:
    """Let a run have ended so long ago."""
    then = run_record.utc_now() - timedelta(**age)
    rewritten(workspace, run, started_at=then, ended_at=then)


def refresh_and_show(workspace: Workspace, **options: Any) -> RefreshOutcome:
    """As ``kitfare refresh``, which shows the messages at its end."""
    outcome = refresh(workspace, **options)
    run_record.mark_shown(workspace, outcome.run_number)
    return outcome
